package mapping

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"gradus/internal/exchange/grid"
	"gradus/protocol"
)

//go:embed headings.csv
var headingsFile string

// heads are the columns that a heading may mean, by its words.
var heads = readHeadings()

func readHeadings() map[string][]string {
	lines, err := csv.NewReader(strings.NewReader(headingsFile)).ReadAll()
	if err != nil {
		panic("mapping: headings.csv: " + err.Error())
	}
	all := map[string][]string{}
	for _, l := range lines[1:] {
		all[l[1]] = append(all[l[1]], l[0])
	}
	return all
}

// Slot is a moment of a protocol that a table with a row for each test may have columns for.
type Slot struct {
	Stage       string // its number, or recovery
	Title       string
	StageMinute float64
	Minute      float64 // of the test, when every stage lasts as planned; 0 after the stop
	Columns     []string
}

// Slots are the moments of a protocol: those of its planned heart rates, the last one also for what else may have been read,
// and three minutes of recovery.
func Slots(p *protocol.Protocol) (all []Slot) {
	n, began := 0, 0.0
	for i := range p.Parts {
		part := &p.Parts[i]
		n++
		var at []float64
		columns := []string{"rpe", "bp_mmhg", "sbp_mmhg", "dbp_mmhg", "spo2_percent"}
		heart := false
		for _, planned := range p.SetOf(i) {
			switch planned.What {
			case protocol.HeartRate:
				heart = true
				at = append(at, float64(planned.At)/float64(protocol.Minute))
			case protocol.Distance:
				columns = append(columns, "distance_m")
			case protocol.CadenceRate:
				columns = append(columns, "cadence_per_min")
			case protocol.Breathless:
				columns = append(columns, "breathlessness")
			}
		}
		lasts := float64(part.Lasts) / float64(protocol.Minute)
		if len(at) == 0 {
			at = []float64{lasts}
		}
		slices.Sort(at)
		at = slices.Compact(at)
		for k, minute := range at {
			s := Slot{Stage: strconv.Itoa(n), Title: part.Title, StageMinute: minute, Minute: began + minute}
			if k == 0 {
				s.Columns = loadsOf(part.Work.Form())
			}
			if heart || k == len(at)-1 {
				s.Columns = append(s.Columns, "hr_bpm")
			}
			if k == len(at)-1 {
				s.Columns = append(s.Columns, columns...)
			}
			all = append(all, s)
		}
		began += lasts
		if part.If == "asked" { // the examiner's own; one is enough for a table
			break
		}
	}
	for minute := range 3 {
		all = append(all, Slot{Stage: "recovery", StageMinute: float64(minute + 1), Columns: []string{"hr_bpm", "bp_mmhg", "sbp_mmhg", "dbp_mmhg"}})
	}
	return all
}

func loadsOf(form string) []string {
	switch form {
	case "fixed", "row", "added", "chosen":
		return []string{"work_w", "level"}
	case "speed", "chosen-speed", "same-speed":
		return []string{"speed_kmh", "grade_percent"}
	}
	return nil
}

// words are the words of a heading, without units in brackets where that leaves something.
func words(heading string) string {
	bare := regexp.MustCompile(`\s*[(\[][^)\]]*[)\]]\s*`).ReplaceAllString(heading, " ")
	if strings.TrimSpace(bare) == "" {
		bare = heading
	}
	return strings.Join(strings.FieldsFunc(strings.ToLower(bare), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }), " ")
}

// Guess proposes which column is what, by the headings alone. Whoever knows the table looks at every one of them.
func Guess(t *grid.Table, p *protocol.Protocol, rows string) *Mapping {
	m := &Mapping{Format: Format, Rows: rows, Protocol: Chosen{Is: p.ID}, Sheet: t.Sheet, Head: t.Head, Columns: map[string]Value{}}
	ofTest, ofReading := Offered()
	may := ofTest
	if rows == RowIsReading {
		may = append(ofReading, ofTest...)
	} else {
		may = append(may, "stop_reason", "symptom", "note")
	}
	used := map[string]bool{}
	for _, heading := range t.Heads {
		for _, column := range heads[words(heading)] {
			if _, taken := m.Columns[column]; !taken && !used[heading] && slices.Contains(may, column) {
				m.Columns[column], used[heading] = Value{Column: heading}, true
			}
		}
	}
	if rows == RowIsTest {
		for _, s := range Slots(p) {
			m.Readings = append(m.Readings, Moment{Stage: s.Stage, StageMinute: s.StageMinute, Columns: guessAt(t, &s, used)})
		}
		m.Readings = slices.DeleteFunc(m.Readings, func(r Moment) bool { return len(r.Columns) == 0 })
	}
	return m
}

// guessAt proposes the columns of a moment: a heading that names the quantity and the minute of the test, such as "HR min 5",
// or the minute of recovery.
func guessAt(t *grid.Table, s *Slot, used map[string]bool) map[string]string {
	found := map[string]string{}
	marks := []string{text(s.Minute), "min " + text(s.Minute), "minute " + text(s.Minute), text(s.Minute) + " min"}
	if s.Stage == "recovery" {
		marks = []string{"recovery " + text(s.StageMinute), "rec " + text(s.StageMinute), "recovery min " + text(s.StageMinute)}
	}
	for _, heading := range t.Heads {
		for _, mark := range marks {
			bare, has := strings.CutSuffix(words(heading), " "+mark)
			if !has || used[heading] {
				continue
			}
			for _, column := range heads[bare] {
				if slices.Contains(s.Columns, column) && found[column] == "" && !used[heading] {
					found[column], used[heading] = heading, true
				}
			}
		}
	}
	return found
}

// Text writes a clinic's mapping as a file that [Read] reads.
func (m *Mapping) Text() []byte {
	var b strings.Builder
	quoted := strconv.Quote
	say := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	say("format: %s", Format)
	for _, x := range [][2]string{{"id", m.ID}, {"version", m.Version}, {"title", m.Title}, {"source", m.Source}} {
		say("%s: %s", x[0], quoted(x[1]))
	}
	say("rows: %s", m.Rows)
	for _, x := range [][2]string{{"sheet", m.Sheet}, {"dates", m.Dates}, {"decimal", m.Decimal}} {
		if x[1] != "" {
			say("%s: %s", x[0], quoted(x[1]))
		}
	}
	if m.Head > 0 {
		say("head: %d", m.Head)
	}
	if m.Protocol.Is != "" {
		say("protocol: {is: %s}", quoted(m.Protocol.Is))
	} else {
		say("protocol: {column: %s, words: %s, missing: %s}", quoted(m.Protocol.Column), flow(m.Protocol.Words), quoted(m.Protocol.Missing))
	}
	say("columns:")
	for _, name := range slices.Sorted(maps.Keys(m.Columns)) {
		v := m.Columns[name]
		if len(v.Words) > 0 {
			say("  %s: {column: %s, words: %s}", name, quoted(v.Column), flow(v.Words))
		} else {
			say("  %s: {column: %s}", name, quoted(v.Column))
		}
	}
	if len(m.Readings) > 0 {
		say("readings:")
	}
	for _, r := range m.Readings {
		at := "minute: " + text(r.Minute)
		if r.StageMinute > 0 {
			at = "stage_minute: " + text(r.StageMinute)
		}
		say("  - {stage: %s, %s, columns: %s}", quoted(r.Stage), at, flow(r.Columns))
	}
	return []byte(b.String())
}

func flow(words map[string]string) string {
	var parts []string
	for _, k := range slices.Sorted(maps.Keys(words)) {
		parts = append(parts, strconv.Quote(k)+": "+strconv.Quote(words[k]))
	}
	return "{" + strings.Join(parts, ", ") + "}"
}
