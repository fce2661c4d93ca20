package eventfile_test

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/eventfile"
	"gradus/protocol"
)

const began = `{"term":1,"n":1,"at":"0:00","kind":"began","begin":{"format":1,"protocol":"recumbent-stepper","version":"1","hash":"","inputs":{"age_years":34,"sex":"male","mass_kg":82}}}`

func TestReadAndWrite(t *testing.T) {
	file := "\xef\xbb\xbf" + began + "\r\n\n   \n" + `{"term":1,"n":2,"at":"2:00.250","kind":"reading","what":"heart_rate","v":96,"src":"strap","used":14,"text":"calm"}`
	list, faults := eventfile.Read("t.jsonl", strings.NewReader(file))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if len(list.Events) != 2 || list.Lines[1] != 4 || list.Events[1].At != 2*protocol.Minute+250 || list.Events[1].What != protocol.HeartRate ||
		list.Began().Inputs.Sex != conduct.Male {
		t.Fatalf("%+v", list)
	}
	var out bytes.Buffer
	if err := eventfile.Write(&out, list.Events); err != nil {
		t.Fatal(err)
	}
	again, faults := eventfile.Read("t.jsonl", &out)
	if len(faults) > 0 || !reflect.DeepEqual(again.Events, list.Events) {
		t.Errorf("written and read again: %v\n%+v\n%+v", faults, again.Events, list.Events)
	}
}

func TestFaults(t *testing.T) {
	for _, c := range []struct{ line, want string }{
		{``, "t.jsonl:1:1: the file holds no event; write one event a line, as JSON"},
		{`{"term":1,"n":1,"at":"0:00","knd":"note"}`, `t.jsonl:1:29: unknown key "knd"; see the list of keys of an event`},
		{`{"term":1,"n":1,"at":"0:00","kind":"nots"}`, `t.jsonl:1:29: kind "nots" is not known; known are began, input,`},
		{`{"term":1,"n":1,"at":"3m","kind":"note"}`, `t.jsonl:1:17: time "3m" is not written m:ss; write "3:00" for three minutes`},
		{`{"term":1,"n":1,"at":180,"kind":"note"}`, `t.jsonl:1:17: at must not be a number`},
		{`{"term":1,"n":1,"at":"0:00","kind":"reading","what":"pulse","v":9}`, `t.jsonl:1:46: quantity "pulse" is not known`},
		{`{"term":1,"n":1,"at":"0:00","kind":"reading","v":"96"}`, `t.jsonl:1:46: v must not be a string`},
		{`{"term":-1,"n":1,"at":"0:00","kind":"note"}`, `t.jsonl:1:2: term must not be a number -1`},
		{`{"term":1,"n":1,"n":2,"at":"0:00","kind":"note"}`, `t.jsonl:1:17: key "n" appears twice; keep one of the two`},
		{`{"term":1,"n":1,"at":"0:00"}`, `t.jsonl:1:1: the event has no kind`},
		{`{"term":1,"n":1,"at":"0:00","kind":"note"} {}`, `t.jsonl:1:43: there is text after the event; write one event a line`},
		{`{"term":1,"n":1,"at":"0:00","kind":"no`, `t.jsonl:1:38: the event is cut off`},
		{`[1]`, `t.jsonl:1:1: `},
		{`{"v":NaN}`, `t.jsonl:1:6: this is not JSON: invalid character 'N'`},
		{"{\"text\":\"\xff\"}", `t.jsonl:1:1: this is not UTF-8 text`},
		{strings.Replace(began, `"male"`, `"man"`, 1), `t.jsonl:1:144: sex "man" is not known; known are female, male`},
		{began + "\n" + strings.Repeat("x", eventfile.MaxLine+1), `t.jsonl:2:1: the line is longer than 65536 bytes; write one event a line`},
	} {
		_, faults := eventfile.Read("t.jsonl", strings.NewReader(c.line))
		if len(faults) == 0 || !strings.HasPrefix(faults[0].Error(), c.want) {
			t.Errorf("%.60s\n  got  %v\n  want %s", c.line, faults, c.want)
		}
	}
}

// Whatever the bytes, reading ends, and every fault has a place in the file.
func FuzzRead(f *testing.F) {
	f.Add([]byte(began))
	f.Add([]byte(`{"term":1,"n":2,"at":"2:00","kind":"correct","ref":{"term":1,"n":1},"v":96}` + "\n\n{"))
	f.Add([]byte(`{"a":{"a":1,"a":2},"b":[{"a":1},{"a":1}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		list, faults := eventfile.Read("f", bytes.NewReader(data))
		if len(list.Events) != len(list.Lines) || len(list.Events) == 0 && len(faults) == 0 {
			t.Fatal("neither events nor a fault")
		}
		lines := bytes.Count(data, []byte("\n")) + 1
		for _, err := range faults {
			var e *eventfile.Error
			if !errors.As(err, &e) || e.Line < 1 || e.Line > lines || e.Col < 1 {
				t.Fatalf("fault without a place: %v", err)
			}
		}
	})
}
