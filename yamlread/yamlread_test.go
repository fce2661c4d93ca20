package yamlread

import (
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"
)

// minutes reads itself from m:ss, as a protocol writes times.
type minutes int

func (m *minutes) UnmarshalText(text []byte) error {
	var min, sec int
	if n, err := fmt.Sscanf(string(text), "%d:%d", &min, &sec); n != 2 || err != nil {
		return errors.New("not a time; write minutes and seconds such as 3:00")
	}
	*m = minutes(60*min + sec)
	return nil
}

// endPoint is either the word none or a group of keys.
type endPoint struct {
	None    bool
	Percent int
}

func (e *endPoint) UnmarshalYAML(unmarshal func(any) error) error {
	var word string
	if unmarshal(&word) == nil {
		if word != "none" {
			return fmt.Errorf("%q is not an end point; write none or its keys", word)
		}
		e.None = true
		return nil
	}
	var keys struct{ Percent int }
	err := unmarshal(&keys)
	e.Percent = keys.Percent
	return err
}

type common struct{ ID, Title string }

type plan struct {
	common   `yaml:",inline"`
	EndPoint endPoint `yaml:"end_point"`
	Parts    []part
	Notes    map[string]string
	Any      any
	Ratio    *float64
	Ready    bool
	Hidden   string `yaml:"-"`
}

type part struct {
	ID    string
	Lasts minutes
	Work  struct{ W float64 }
	Limit uint8
}

const sample = `# a test with two parts
id: stepper
title: "A title: with a colon"
end_point: {percent: 85}
parts:
  - {id: one, lasts: 3:00, work: {w: 30}}
  - id: two
    lasts: "3:00"
    work:
      w: 75.5
    limit: 200
notes:
  why: >
    folded
    text
  date: 2026-01-05
any: [1, true, {a: b}, "2"]
ratio: -1.5e-3
ready: true
`

func TestDecodeFillsEveryShape(t *testing.T) {
	var p plan
	f, err := Decode("plan.yaml", []byte(sample), &p)
	if err != nil {
		t.Fatal(err)
	}
	if p.ID != "stepper" || p.Title != "A title: with a colon" || p.EndPoint.Percent != 85 || !p.Ready || *p.Ratio != -1.5e-3 {
		t.Errorf("wrong: %+v", p)
	}
	if len(p.Parts) != 2 || p.Parts[0].Lasts != 180 || p.Parts[0].Work.W != 30 || p.Parts[1].Lasts != 180 || p.Parts[1].Limit != 200 {
		t.Errorf("wrong parts: %+v", p.Parts)
	}
	if p.Notes["why"] != "folded text\n" || p.Notes["date"] != "2026-01-05" {
		t.Errorf("wrong notes: %q", p.Notes)
	}
	if want := []any{1.0, true, map[string]any{"a": "b"}, "2"}; !reflect.DeepEqual(p.Any, want) {
		t.Errorf("any = %v, want %v", p.Any, want)
	}
	for _, c := range []struct {
		path      string
		line, col int
	}{
		{"id", 2, 5}, {"parts[0].work.w", 6, 38}, {"parts[1]", 7, 5}, {"parts[1].work", 9, 5}, {"parts[1].work.w", 10, 10},
		{"parts[1].work.nothing.here", 9, 5}, {"parts[7]", 5, 1}, {"nothing", 2, 1}, {"", 2, 1}, {"ready", 19, 8},
	} {
		if line, col := f.Pos(c.path); line != c.line || col != c.col {
			t.Errorf("Pos(%q) = %d:%d, want %d:%d", c.path, line, col, c.line, c.col)
		}
	}
	if !f.Has("parts[1].limit") || f.Has("parts[0].limit") || f.Has("part") {
		t.Error("Has is wrong")
	}
	got := f.Errorf("parts[1].work.w", "work rate %g W is odd; check it", 75.5).Error()
	if want := "plan.yaml:10:10: work rate 75.5 W is odd; check it"; got != want {
		t.Errorf("Errorf gives %q, want %q", got, want)
	}
	if got := f.Errorf("id", "bad"); got.Hint != "" || got.Error() != "plan.yaml:2:5: bad" {
		t.Errorf("Errorf without a hint gives %+v", got)
	}
}

func TestNoneIsAWordOfItsOwn(t *testing.T) {
	var p plan
	if _, err := Decode("p", []byte("end_point: none\n"), &p); err != nil || !p.EndPoint.None {
		t.Errorf("%v, %+v", err, p.EndPoint)
	}
	_, err := Decode("p", []byte("id: x\nend_point: {percnt: 85}\n"), &p)
	if err == nil || err.Error() != "p:2:13: unknown key percnt; did you mean percent?" {
		t.Errorf("error within a type that reads itself: %v", err)
	}
	_, err = Decode("p", []byte("id: x\nend_point: never\n"), &p)
	if err == nil || err.Error() != `p:2:12: end_point: "never" is not an end point; write none or its keys` {
		t.Errorf("error of a type that reads itself: %v", err)
	}
}

func TestScalarsComeInFileOrder(t *testing.T) {
	f, err := Decode("p", []byte("b: 1\na: [x, 'y']\nc: {d: 2.50}\n"), nil)
	if err != nil {
		t.Fatal(err)
	}
	want := []Scalar{{"b", "1", 1, 4}, {"a[0]", "x", 2, 5}, {"a[1]", "y", 2, 8}, {"c.d", "2.50", 3, 8}}
	if got := f.Scalars(); !reflect.DeepEqual(got, want) {
		t.Errorf("Scalars() = %v, want %v", got, want)
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"unknown key", "id: a\ntitel: b\n", "p:2:1: unknown key titel; did you mean title?"},
		{"unknown key, nothing near", "zzzzzzzzz: 1\n", "p:1:1: unknown key zzzzzzzzz; known keys: id, title, end_point, parts, notes, any, ratio, ready"},
		{"duplicate key", "id: a\nid: b\n", "p:2:1: "},
		{"duplicate key, quoted", "id: a\n'id': b\n", "p:2:1: "},
		{"duplicate key, flow", "notes: {a: x, a: y}\n", "p:1:15: "},
		{"anchor", "id: &x a\n", "p:1:5: anchors and aliases"},
		{"alias", "any: &x [1]\nid: *x\n", "p:1:6: anchors and aliases"},
		{"tag", "id: !!str a\n", "p:1:5: tags (!)"},
		{"own tag", "id: !secret a\n", "p:1:5: tags (!)"},
		{"merge key", "notes:\n  <<: {a: b}\n", "p:2:3: merge keys"},
		{"two documents", "id: a\n---\nid: b\n", "p:3:3: a second document"},
		{"directive", "%YAML 1.2\n---\nid: a\n", "p:1:1: directives (%)"},
		{"leading zero", "ratio: 010\n", "p:1:8: 010 is not a plain number"},
		{"leading zero with a point", "ratio: 00.5\n", "p:1:8: 00.5 is not a plain number"},
		{"negative leading zero", "any: -08\n", "p:1:6: -08 is not a plain number"},
		{"hexadecimal", "any: 0x1F\n", "p:1:6: 0x1F is not a plain number"},
		{"underscore", "any: 1_000\n", "p:1:6: 1_000 is not a plain number"},
		{"plus", "any: +5\n", "p:1:6: +5 is not a plain number"},
		{"bare point", "ratio: .5\n", "p:1:8: .5 is not a plain number"},
		{"NaN", "ratio: .nan\n", "p:1:8: infinity and NaN"},
		{"infinity", "ratio: -.inf\n", "p:1:8: "},
		{"the word NaN", "ratio: NaN\n", "p:1:8: ratio must be a number"},
		{"too large a number", "ratio: 1e999\n", "p:1:8: ratio must be a number"},
		{"quoted number", "ratio: \"1\"\n", "p:1:8: ratio must be a number"},
		{"empty value", "id: a\ntitle:\n", "p:2:"},
		{"null", "title: ~\n", "p:1:8: title is empty"},
		{"bool", "ready: yes\n", "p:1:8: ready must be true or false"},
		{"uint range", "parts:\n  - limit: 256\n", "p:2:12: parts[0].limit must be a whole number"},
		{"fraction where whole", "parts:\n  - limit: 2.5\n", "p:2:12: parts[0].limit must be a whole number"},
		{"list for group", "parts:\n  - [1]\n", "p:2:"},
		{"group for list", "parts: {a: b}\n", "p:1:1: parts must be a list"},
		{"scalar for list", "parts: 5\n", `p:1:8: parts must be a list, not "5"`},
		{"group for scalar", "id:\n  a: b\n", "p:1:1: id must be a single value"},
		{"own text type", "parts:\n  - lasts: soon\n", "p:2:12: parts[0].lasts: not a time; write minutes"},
		{"key that is a list", "? [a]\n: b\n", "p:2:1: "},
		{"empty file", "", "p:1:1: the file is empty"},
		{"comment only", "# nothing\n", "p:1:1: the file is empty"},
		{"not UTF-8", "id: \xff\n", "p:1:5: this is not UTF-8"},
		{"NUL", "id: a\x00b\n", "p:1:6: control character U+0000"},
		{"tab indent", "notes:\n\ta: b\n", "p:2:"},
		{"unclosed", "any: [1, 2\n", "p:1:"},
		{"too large", "id: " + strings.Repeat("a", MaxBytes), "p:1:1: the file has"},
		{"too many lines", strings.Repeat("#\n", MaxLines+1), "p:10001:1: the file has 10001 lines"},
		{"deep brackets", "any: " + strings.Repeat("[", 200) + strings.Repeat("]", 200), "p:1:134: brackets are nested too deep"},
		{"deep values", "any: " + strings.Repeat("[", 40) + "1" + strings.Repeat("]", 40), "p:1:"},
		{"deep markers", strings.Repeat("- ", 1000) + "a", "p:1:1: lists are nested too deep"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var p plan
			f, err := Decode("p", []byte(c.text), &p)
			if err == nil {
				t.Fatalf("accepted as %+v", p)
			}
			if f != nil {
				t.Error("a file came back with the error")
			}
			var placed *Error
			if !errors.As(err, &placed) {
				t.Fatalf("%T is not an *Error", err)
			}
			if !strings.HasPrefix(err.Error(), c.want) {
				t.Errorf("got  %s\nwant %s", err, c.want)
			}
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("error of several lines: %q", err)
			}
		})
	}
}

func TestByteOrderMarkAndCarriageReturns(t *testing.T) {
	var p plan
	if _, err := Decode("p", []byte("\xef\xbb\xbfid: a\r\nparts:\r\n  - id: b\r\n"), &p); err != nil || p.ID != "a" || p.Parts[0].ID != "b" {
		t.Errorf("%v, %+v", err, p)
	}
}

// Texts that make careless readers slow must be answered at once. The bound is far above what any machine needs, so
// that only a reader that goes wrong passes it.
func TestHostileTextsAreAnsweredQuickly(t *testing.T) {
	for name, text := range map[string]string{
		"many keys":      manyKeys(),
		"many items":     "any: [" + strings.Repeat("1,", MaxBytes/2-8) + "1]",
		"one long word":  "id: " + strings.Repeat("a", MaxBytes-10),
		"many colons":    strings.Repeat("a: ", MaxBytes/3),
		"many quotes":    strings.Repeat(`"`, MaxBytes),
		"many stars":     strings.Repeat("*a ", MaxBytes/3),
		"deep indent":    deepIndent(),
		"many lines":     strings.Repeat("- \n", MaxBytes/3),
		"many questions": strings.Repeat("?\n", MaxBytes/2),
		"open brackets":  strings.Repeat("[]{", MaxBytes/3),
		"block text":     "id: |\n" + strings.Repeat(" a\n", MaxBytes/3-10),
		"comments":       strings.Repeat("#\n", MaxBytes/2),
	} {
		start := time.Now()
		var v any
		_, _ = Decode("p", []byte(text), &v)
		if took := time.Since(start); took > 20*time.Second {
			t.Errorf("%s: took %v", name, took)
		} else {
			t.Logf("%s: %v", name, took)
		}
	}
}

func manyKeys() string {
	var b strings.Builder
	for i := 0; b.Len() < MaxBytes-20; i++ {
		fmt.Fprintf(&b, "k%d: 1\n", i)
	}
	return b.String()
}

func deepIndent() string {
	var b strings.Builder
	for i := 0; b.Len()+i < MaxBytes-20; i++ {
		b.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	return b.String()
}

func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		sample, "", "a: &x [*x]\n", "- - - a\n", "a: {b: [c, {d: e}]}\n", "a: |\n  x\n", "? a\n: b\n", "a: 'it''s'\n", "%YAML 1.2\n",
		"a: \"\\u0041\"\n", "---\na: 1\n...\n", "<<: a\n", "a: [", "{", "\"", "a: 010\n", "id: 1\n# x\ntitle: y",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var p plan
		file, err := Decode("p", data, &p)
		if err != nil {
			var placed *Error
			if !errors.As(err, &placed) || placed.Line < 1 || placed.Col < 1 || file != nil {
				t.Fatalf("error without a place: %v", err)
			}
			return
		}
		for _, s := range file.Scalars() {
			if !file.Has(s.Path) {
				continue // a key may hold the marks of a path
			}
			if line, col := file.Pos(s.Path); line < 1 || col < 1 {
				t.Fatalf("%s has no place", s.Path)
			}
		}
	})
}

func ExampleDecode() {
	var stage struct {
		Work  float64 `yaml:"work_w"`
		Lasts string
	}
	_, err := Decode("stage.yaml", []byte("work_w: 30\nlast: 3:00\n"), &stage)
	fmt.Println(err)
	f, err := Decode("stage.yaml", []byte("work_w: 300\nlasts: 3:00\n"), &stage)
	fmt.Println(stage.Work, stage.Lasts, err)
	fmt.Println(f.Errorf("work_w", "300 W is above 250; check the entry"))
	// Output:
	// stage.yaml:2:1: unknown key last; did you mean lasts?
	// 300 3:00 <nil>
	// stage.yaml:1:9: 300 W is above 250; check the entry
}
