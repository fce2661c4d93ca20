package prove_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/protocol"
	"gradus/protocol/library"
	"gradus/prove"
)

// needsOf lists what the estimator of a plan takes.
func needsOf(p *protocol.Protocol) (needs []string) {
	e, err := estimators.ByID(p.Outcome.Estimator)
	if err != nil {
		return nil
	}
	return rolesOf(e)
}

func rolesOf(e *estimate.Estimator) (needs []string) {
	return e.Needs()
}

func read(t testing.TB, path string) *protocol.Protocol {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	p, errs := library.Parse(filepath.Base(path), data, estimators.LineOf)
	for _, err := range errs {
		t.Error(err)
	}
	if p == nil {
		t.FailNow()
	}
	return p
}

func shipped(t testing.TB, id string) *protocol.Protocol {
	t.Helper()
	p, err := library.Load(id, estimators.LineOf)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

var proofs = map[string]prove.Report{}

// proof explores a shipped protocol once for all tests.
func proof(t *testing.T, id string) prove.Report {
	r, known := proofs[id]
	if !known {
		p := shipped(t, id)
		r = prove.Check(p, needsOf(p))
		proofs[id] = r
	}
	return r
}

// brief are the plans that the short run proves, and the run with the race detector, which makes the exploration many
// times slower: one of each kind. make test proves the whole library in a run without it.
var brief = []string{"recumbent-stepper", "two-work-rate-cycle", "walk-jog-run", "naughton", "survey-treadmill-1", "six-minute-walk", "one-mile-walk",
	"incremental-shuttle-walk", "multistage-step", "queens-college-step-men", "arm-ergometer-multistage", "no-exercise"}

// The shipped tests can do no harm that the exploration can see. The longest run of the stepper: every stage with
// all its extra minutes or begun again twice, five more stages, a cool-down and the whole of recovery. No other is
// longer; without exercise there is next to nothing to explore.
func TestShippedProtocolsPass(t *testing.T) {
	ids := library.IDs()
	if testing.Short() || raceDetector {
		t.Logf("this run proves %d of %d plans", len(brief), len(ids))
		ids = brief
	}
	for _, id := range ids {
		r := proof(t, id)
		for _, f := range r.Findings {
			t.Errorf("%s: %v\n%s", id, f, eventsText(f.Events))
		}
		if longest := r.Longest.String(); id == "recumbent-stepper" && longest != "139:52" || r.Longest > proof(t, "recumbent-stepper").Longest {
			t.Errorf("%s: the longest test lasts %v", id, longest)
		}
		least := 1000
		if id == "no-exercise" {
			least = 100
		}
		if r.Completed == 0 || r.States < least {
			t.Errorf("%s: only %d states and %d completed tests were explored", id, r.States, r.Completed)
		}
	}
}

// The rows as the plan's table prints them: below 80, 80 to 89, 90 to 100, above 100 (the cycle sheet that the
// plan names as its source; one whole beat belongs to one row).
func TestRowsCoverAllHeartRates(t *testing.T) {
	r := proof(t, "recumbent-stepper")
	// At 250 /min, the highest heart rate that can be, the test is over before a row is taken.
	want := "[{row-1 25 79} {row-2 80 89} {row-3 90 100} {row-4 101 249}]"
	if got := fmt.Sprint(r.Rows); got != want {
		t.Errorf("rows %s, want %s", got, want)
	}
	for _, name := range []string{"end point, a reading", "end point, the running mean", "limit of heart rate, a reading", "limit of systolic pressure",
		"limit of oxygen saturation", "limit of exertion", "exertion", "cadence", "sign chest-discomfort", "sign asks-to-stop", "sign spo2-low", "sign dbp-high", "sign spo2-no-cover", "sign heart-rate-silent", "sign heart-rate-silent, asked for"} {
		if !strings.Contains("|"+strings.Join(r.Watched, "|")+"|", "|"+name+"|") {
			t.Errorf("%s was not tried; tried were %q", name, r.Watched)
		}
	}
}

// Without an end point the highest heart rate that can be takes a row too.
func TestRowsWithoutAnEndPoint(t *testing.T) {
	text, err := library.Text("recumbent-stepper")
	if err != nil {
		t.Fatal(err)
	}
	const end = "end_point: {percent: 85, of: max_hr, formula: 220-age, watch: [reading, window]}"
	if !strings.Contains(string(text), end) {
		t.Fatal("nothing to change")
	}
	p, errs := library.Parse("my.yaml", []byte(strings.Replace(string(text), end, "end_point: none", 1)), estimators.LineOf)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	r := prove.Check(p, needsOf(p))
	for _, f := range r.Findings {
		t.Error(f)
	}
	if last := r.Rows[len(r.Rows)-1]; last.To != 250 {
		t.Errorf("rows %v", r.Rows)
	}
}

// Every broken plan is found out, and its counter-example runs.
func TestBrokenProtocolsFail(t *testing.T) {
	for _, c := range []struct {
		file, kind, about string
		shows             func(t *testing.T, p *protocol.Protocol, s *conduct.State, ins conduct.Instruction)
	}{
		{"unreachable-part", prove.Unreachable, "extra", func(t *testing.T, p *protocol.Protocol, s *conduct.State, _ conduct.Instruction) {
			if s.LastCounted(p) < 0 || partRidden(p, s, "extra") || !partRidden(p, s, "second") {
				t.Error("the events are no complete test without the part")
			}
		}},
		{"never-ends", prove.CannotEnd, "first", func(t *testing.T, p *protocol.Protocol, s *conduct.State, ins conduct.Instruction) {
			if next := conduct.Next(p, s, s.Now+5*protocol.Hour); next.Do != conduct.DoBreak {
				t.Errorf("five hours later the instruction is %v, so the path does end", next.Do)
			}
		}},
		{"longer-than-a-day", prove.CannotEnd, "second", func(t *testing.T, p *protocol.Protocol, s *conduct.State, _ conduct.Instruction) {
			if s.Now < 20*protocol.Hour || s.Phase != conduct.Riding {
				t.Errorf("after %v the test is %v", s.Now, s.Phase)
			}
		}},
		{"not-watched", prove.NotWatched, "effort", func(t *testing.T, p *protocol.Protocol, s *conduct.State, ins conduct.Instruction) {
			if s.LastHR.V != 190 || ins.Do == conduct.DoEnd || ins.Do == conduct.DoStop {
				t.Errorf("at a heart rate of %g: %v", s.LastHR.V, ins.Do)
			}
		}},
		{"not-watched", prove.NotWatched, "symptoms", nil},
		{"not-watched", prove.NotWatched, "wish to stop", nil},
		{"no-age", prove.NotWatched, "end point", func(t *testing.T, p *protocol.Protocol, s *conduct.State, _ conduct.Instruction) {
			if s.Limits.EndPoint != 0 {
				t.Error("there is an end point after all")
			}
		}},
		{"no-age", prove.InputMissing, "age", func(t *testing.T, p *protocol.Protocol, s *conduct.State, _ conduct.Instruction) {
			if s.LastCounted(p) < 0 || s.In.AgeYears != 0 {
				t.Error("the events are no completed test without an age")
			}
		}},
		{"no-heart-rate", prove.InputMissing, "heart-rate", func(t *testing.T, p *protocol.Protocol, s *conduct.State, _ conduct.Instruction) {
			if i := s.LastCounted(p); i < 0 {
				t.Error("no stage counts")
			} else if _, _, ok := s.LastHeart(p, i); ok {
				t.Error("the stage has a heart rate")
			}
		}},
		{"unused-row", prove.UnusedRow, "row-2", nil},
		{"rows-upside-down", prove.Coverage, "90", func(t *testing.T, p *protocol.Protocol, s *conduct.State, _ conduct.Instruction) {
			if s.Row != 2 {
				t.Errorf("row %d", s.Row)
			}
		}},
	} {
		t.Run(c.file+" "+c.about, func(t *testing.T) {
			p := read(t, "../protocol/testdata/broken/"+c.file+".yaml")
			r := prove.Check(p, needsOf(p))
			for _, f := range r.Findings {
				if f.Kind != c.kind || f.About != c.about {
					continue
				}
				s := replay(t, p, f.Events)
				if c.shows != nil {
					c.shows(t, p, &s, conduct.Next(p, &s, s.Now))
				}
				return
			}
			t.Errorf("no %s about %s; found %v", c.kind, c.about, r.Findings)
		})
	}
}

// A broken plan yields the kinds of findings that were meant, and no others.
func TestBrokenProtocolsFailOnlyAsMeant(t *testing.T) {
	files, err := filepath.Glob("../protocol/testdata/broken/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	meant := map[string]string{"unreachable-part": "unreachable-part", "never-ends": "cannot-end", "longer-than-a-day": "cannot-end",
		"not-watched": "not-watched", "no-age": "not-watched estimator-input", "no-heart-rate": "estimator-input",
		"unused-row": "unreachable-row", "rows-upside-down": "branch-coverage"}
	for _, file := range files {
		p := read(t, file)
		want, known := meant[p.ID]
		if !known {
			t.Errorf("%s: say what the check must find", file)
		}
		for _, f := range prove.Check(p, needsOf(p)).Findings {
			if !strings.Contains(want, f.Kind) {
				t.Errorf("%s: %v\n%s", file, f, eventsText(f.Events))
			}
		}
	}
}

func partRidden(p *protocol.Protocol, s *conduct.State, id string) bool {
	for i := range s.Stages[:s.NStages] {
		if p.Parts[s.Stages[i].Part].ID == id {
			return true
		}
	}
	return false
}

// replay runs a counter-example the way a file of it would be: through JSON, from an empty state.
func replay(t *testing.T, p *protocol.Protocol, events []conduct.Event) conduct.State {
	t.Helper()
	if len(events) == 0 {
		t.Fatal("there is no counter-example")
	}
	var read []conduct.Event
	for _, e := range events {
		line, err := json.Marshal(&e)
		if err != nil {
			t.Fatal(err)
		}
		var back conduct.Event
		if err := json.Unmarshal(line, &back); err != nil {
			t.Fatal(err)
		}
		read = append(read, back)
	}
	s, refused, err := conduct.Replay(p, read)
	if err != nil || len(refused) > 0 {
		t.Fatalf("replay: %v, refused %v", err, refused)
	}
	return s
}

func eventsText(events []conduct.Event) string {
	var b strings.Builder
	for _, e := range events {
		line, _ := json.Marshal(&e)
		b.Write(line)
		b.WriteByte('\n')
	}
	return b.String()
}

// The same plan gives the same report, whichever exploration is ready first.
func TestReportIsTheSameEveryTime(t *testing.T) {
	p := read(t, "../protocol/testdata/broken/no-age.yaml")
	one, _ := json.Marshal(prove.Check(p, needsOf(p)))
	for range 5 {
		if again, _ := json.Marshal(prove.Check(p, needsOf(p))); string(again) != string(one) {
			t.Fatal("two reports differ")
		}
	}
}

func BenchmarkCheckStepper(b *testing.B) {
	p := shipped(b, "recumbent-stepper")
	for b.Loop() {
		if r := prove.Check(p, needsOf(p)); !r.OK() {
			b.Fatal(r.Findings)
		}
	}
}
