package conduct

import (
	_ "embed"
	"encoding/json"
	"fmt"
)

//go:embed answers.csv
var answersFile string

// answerNumbers are the lines of answers.csv. A later line may come, none may change its place: a state is compared.
var answerNumbers = readInputNumbers(answersFile)

// Answers are facts of which 0 is a true value: answers to questions on activity, the course, oxygen. Names, units
// and ranges are those of answers.csv.
type Answers struct {
	v     [12]float64
	given uint16
}

// AnswerNames lists the names of the answers.
func AnswerNames() (names []string) {
	for i := range answerNumbers {
		names = append(names, answerNumbers[i].name)
	}
	return names
}

// IsZero reports whether nothing was answered.
func (a Answers) IsZero() bool { return a.given == 0 }

// Value is an answer by its name; ok is false when it was not given.
func (a *Answers) Value(name string) (v float64, ok bool) {
	for i := range answerNumbers {
		if answerNumbers[i].name == name {
			return a.v[i], a.given&(1<<i) != 0
		}
	}
	return 0, false
}

// set takes an answer; known is false when no answer has the name.
func (a *Answers) set(name string, v float64) (known bool, err error) {
	for i := range answerNumbers {
		n := &answerNumbers[i]
		if n.name != name {
			continue
		}
		if !(v >= n.low && v <= n.high) {
			return true, fmt.Errorf("%s %g is not between %g and %g; check the entry", name, v, n.low, n.high)
		}
		a.v[i], a.given = v, a.given|1<<i
		return true, nil
	}
	return false, nil
}

// MarshalJSON writes the answers that were given, by name.
func (a Answers) MarshalJSON() ([]byte, error) {
	given := map[string]float64{}
	for i := range answerNumbers {
		if a.given&(1<<i) != 0 {
			given[answerNumbers[i].name] = a.v[i]
		}
	}
	return json.Marshal(given)
}

// UnmarshalJSON reads answers by name.
func (a *Answers) UnmarshalJSON(data []byte) error {
	given := map[string]float64{}
	if err := json.Unmarshal(data, &given); err != nil {
		return err
	}
	*a = Answers{}
	for i := range answerNumbers {
		name := answerNumbers[i].name
		if v, ok := given[name]; ok {
			if _, err := a.set(name, v); err != nil {
				return err
			}
			delete(given, name)
		}
	}
	for name := range given {
		return fmt.Errorf("no answer is called %q", name)
	}
	return nil
}

// Rail says whether the hand rail of a treadmill was held.
type Rail uint8

// What is known of the rail.
const (
	RailNotRecorded Rail = iota
	RailNo
	RailTouched // a finger for balance
	RailHeld
)

var railWords = []string{"", "no", "touched", "held"}

// MarshalText writes the word.
func (r Rail) MarshalText() ([]byte, error) { return []byte(word(railWords, uint8(r))), nil }

// UnmarshalText reads the word.
func (r *Rail) UnmarshalText(t []byte) error { return readWord(railWords, "hand rail", t, (*uint8)(r)) }
