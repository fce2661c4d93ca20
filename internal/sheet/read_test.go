package sheet

import (
	"fmt"
	"io"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/protocol"
)

// endless gives a start and then one letter for ever, and counts what was taken.
type endless struct {
	start string
	taken int
}

func (e *endless) Read(p []byte) (int, error) {
	n := copy(p, e.start)
	e.start = e.start[n:]
	for i := n; i < len(p); i++ {
		p[i] = 'a'
	}
	e.taken += len(p)
	return len(p), nil
}

// A line without end is given up after a little, whether it is the first or a later one.
func TestEndlessLine(t *testing.T) {
	head := "test,protocol,stage,minute,work_w,hr_bpm\n"
	for _, start := range []string{"", head, head + `A,"`} {
		from := &endless{start: start}
		s := Read("long.csv", from)
		if len(s.Faults) != 1 || s.Faults[0].Line < 1 || s.Faults[0].Field < 1 {
			t.Errorf("faults %v, want one with a place", s.Faults)
		}
		if from.taken > 4<<20 {
			t.Errorf("read %d bytes before giving up", from.taken)
		}
	}
}

// broken fails after what it holds.
type broken struct{ io.Reader }

func (b broken) Read(p []byte) (int, error) {
	n, err := b.Reader.Read(p)
	if err == io.EOF {
		err = io.ErrClosedPipe
	}
	return n, err
}

// A file that breaks off in the middle must not be scored as if it were whole.
func TestBrokenFile(t *testing.T) {
	sheets := []*Sheet{Read("sheet.csv", broken{strings.NewReader(sheetText(nil, rowsOfA...))})}
	s := Score(sheets, today, shipped)
	if !s.Failed() {
		t.Error("no fault")
	}
	for _, test := range s.Tests {
		if len(test.Faults) == 0 {
			t.Errorf("test %s was scored", test.ID)
		}
	}
}

// More rows than a typed sheet can have, and more faults than anyone reads, are counted, not kept.
func TestCaps(t *testing.T) {
	var rows []string
	for i := 1; i < 3000; i++ {
		rows = append(rows, fmt.Sprintf("1 %d 30 400", i))
	}
	s := scoreText(sheetText(nil, rows...))
	if n := len(s.Tests[0].Faults); n > int(limits["most_faults"]) || s.Tests[0].Unsaid == 0 {
		t.Errorf("%d faults listed, %d counted", n, s.Tests[0].Unsaid)
	}
	s = scoreText("test,protocol,stage,minute\n" + strings.Repeat(",recumbent-stepper,1,1\n", 3000))
	if n := len(s.Faults); n > int(limits["most_faults"])+1 {
		t.Errorf("%d faults of the file listed", n)
	}
}

// Every word of the table stands for something the program knows, says how it is known, and stands there once.
func TestWords(t *testing.T) {
	p, _, err := shipped("recumbent-stepper")
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, r := range records(wordsTable) {
		kind, word, means := r[0], r[1], r[2]
		if id := kind + " " + plainText(word); seen[id] || plainText(word) == "" {
			t.Errorf("%v stands twice or says nothing", r)
		} else {
			seen[id] = true
		}
		if r[3] != "whole" && r[3] != "part" {
			t.Errorf("%v: match %q", r, r[3])
		}
		var how protocol.How
		if err := how.UnmarshalText([]byte(r[4])); err != nil {
			t.Errorf("%v: %v", r, err)
		}
		if !meansSomething(p, kind, means) {
			t.Errorf("%v: %q is not known", r, means)
		}
	}
}

func meansSomething(p *protocol.Protocol, kind, means string) bool {
	var in conduct.Inputs
	switch kind {
	case "sex":
		return in.Set("sex", means, 0) == nil
	case "drug":
		return in.Set("rate_limiting_drug", means, 0) == nil
	case "method":
		return in.Set("hr_method", means, 0) == nil
	case "rhythm":
		return means == "not-recorded" || in.Set("rhythm", means, 0) == nil
	case "condition":
		return means == "none" || in.Set("condition", means, 0) == nil
	case "symptom":
		return means == "none" || p.SignIndex(means) >= 0
	case "stop":
		_, ok := protocol.ReasonOf(means)
		return ok || p.SignIndex(means) >= 0
	case "stage":
		return means == "cool-down" || means == "recovery"
	case "lesion", "level":
		return means == "lesion" || means == "high" || means == "low"
	case "yes-no":
		return means == "yes" || means == "no"
	}
	return false
}

func TestSymptoms(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"chest pain", "chest-discomfort"},
		{"dizzy with chest pressure", "chest-discomfort near-faint"},
		{"pale; short of breath", "pallor breathless"},
		{"slightly breathless", "other-symptom"},
		{"near-faint", "near-faint"},
		{"Light-headed, dizzy or close to fainting", "near-faint"},
		{"itching", "other-symptom"},
		{"none", ""},
		{"-", ""},
		{"no chest pain", ""},
		{"no heart rate", "no-heart-rate"},
	} {
		text := strings.ReplaceAll(c.text, " ", "~")
		if strings.Contains(c.text, ",") {
			text = `"` + text + `"`
		}
		s := one(t, sheetText(nil, "1 2 30 96 symptom="+text))
		var ids []string
		for _, symptom := range s.Rows[0].Symptoms {
			if len(ids) == 0 || ids[len(ids)-1] != symptom.Sign {
				ids = append(ids, symptom.Sign)
			}
		}
		if got := strings.Join(ids, " "); got != c.want {
			t.Errorf("%q: %q, want %q", c.text, got, c.want)
		}
	}
}

// FuzzSheet: whatever the file holds, nothing panics, every fault has a place, and what was scored can be
// written in all three forms.
func FuzzSheet(f *testing.F) {
	f.Add(sheetText(nil, rowsOfA...))
	f.Add(sheetText(map[string]string{"rate_limiting_drug": "atenolol", "condition": "stroke"}, append(rowsOfA, "cool-down 14 30 120", "recovery 17 _ 90 symptom=dizzy")...))
	f.Add(strings.ReplaceAll(sheetText(nil, "1 2 30 96", "1 3 30 98", "2 5 75 119", "1 6 30 100", "7 7 80 100"), ",", ";"))
	f.Add(strings.Replace(sheetText(nil, "1 2 30 96", "1 3 50 98", "2 1 75 119"), ",minute,", ",stage_minute,", 1))
	f.Add("test,protocol,stage,minute\n\"A,recumbent-stepper,1,1\n")
	f.Add("test;protocol;stage;minute;x\nA;recumbent-stepper;1;0,5;\n;;;;;;;\nB\n")
	f.Add("\xef\xbb\xbf")
	f.Fuzz(func(t *testing.T, text string) {
		s := scoreText(text)
		all := append([]*Fault{}, s.Faults...)
		for _, test := range s.Tests {
			all = append(all, test.Faults...)
			if len(test.Faults) == 0 && test.State.Phase != conduct.Over {
				t.Errorf("test %q is scored but not closed", test.ID)
			}
		}
		for _, fault := range all {
			if (fault.Line < 1 || fault.Field < 1) && !strings.HasSuffix(fault.Msg, "are not listed") {
				t.Errorf("%v has no place", fault)
			}
		}
		for _, write := range []func(io.Writer) error{s.WriteText, s.WriteJSON, s.WriteCSV} {
			if err := write(io.Discard); err != nil {
				t.Error(err)
			}
		}
	})
}

// A stray quotation mark or a letter that cannot be read spoils its own test, not the ones before and after it.
func TestOneCellSpoilsOneTest(t *testing.T) {
	head := "test,protocol,sex,age_years,mass_kg,stage,minute,work_w,hr_bpm,note\n"
	whole := func(id string) string {
		return id + ",recumbent-stepper,male,50,80,1,2,30,96,\n" + id + ",,,,,1,3,30,98,\n"
	}
	for name, bad := range map[string]string{
		"mark before the test":      "\"B,recumbent-stepper,male,50,80,1,2,30,96,\nB,,,,,1,3,30,98,\n",
		"mark, then rows unnamed":   "\"B,recumbent-stepper,male,50,80,1,2,30,96,\n,,,,,1,3,30,98,\n",
		"mark in the note":          "B,recumbent-stepper,male,50,80,1,2,30,96,\"well\nB,,,,,1,3,30,98,\n",
		"mark, and a pair after it": "B,recumbent-stepper,male,50,80,1,2,30,96,\"well\nB,,,,,1,3,30,98,\"a, b\"\n",
		"letters not in UTF-8":      "\xfcB,recumbent-stepper,male,50,80,1,2,30,96,\n\xfcB,,,,,1,3,30,98,\n",
	} {
		s := scoreText(head + whole("A") + bad + whole("C"))
		if len(s.Tests) != 3 || len(s.Faults) > 0 {
			t.Errorf("%s: %d tests, faults %v", name, len(s.Tests), s.Faults)
			continue
		}
		if len(s.Tests[0].Faults)+len(s.Tests[2].Faults) > 0 || len(s.Tests[1].Faults) == 0 || s.Tests[1].Faults[0].Line != 4 {
			t.Errorf("%s: A %v, B %v, C %v", name, s.Tests[0].Faults, s.Tests[1].Faults, s.Tests[2].Faults)
		}
	}
	long := head + whole("A") + "\"B,recumbent-stepper,male,50,80,1,2,30,96,\n"
	for i := range 9000 {
		long += whole(fmt.Sprint("T", i))
	}
	s := Read("long.csv", strings.NewReader(long))
	if len(s.tests) != 9002 || len(s.Faults) > 0 || len(s.tests[9001].faults) > 0 {
		t.Errorf("%d tests of a long file, faults %v", len(s.tests), s.Faults)
	}
}
