package mapping

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

func plans(id string) (*protocol.Protocol, *estimate.Estimator, error) {
	p, err := protocols.Load(id, estimators.LineOf)
	if err != nil {
		return nil, nil, err
	}
	e, err := estimators.Of(&p.Outcome)
	return p, e, err
}

// scored is what a test looks at.
type scored struct {
	value, low, high estimate.Number
	verdict, reason  string
	reasons          string
	fault            string
}

func run(t *testing.T, m *Mapping, name string, data []byte) (map[string]scored, string, bool) {
	t.Helper()
	out := map[string]scored{}
	var said bytes.Buffer
	var lines bytes.Buffer
	failed, err := m.Run(name, bytes.NewReader(data), plans, &lines, func(to []byte, s *Score) ([]byte, error) {
		r := scored{value: estimate.Absent, low: estimate.Absent, high: estimate.Absent, reason: s.NotRun, verdict: s.Judged.Verdict}
		if len(s.Faults) > 0 {
			r.fault = s.Faults[0].Error()
		}
		if e := s.Judged.Estimate; e != nil {
			r.value, r.low, r.high = e.Value, e.Low95, e.High95
		} else if r.reason == "" {
			r.reason = s.Judged.NoEstimate
		}
		for _, c := range s.Judged.Reasons {
			r.reasons += c.ID + " "
		}
		return append(to, fmt.Sprintf("%s\t%v\t%v\t%v\t%s\t%s\t%s\t%s\n", s.ID, float64(r.value), float64(r.low), float64(r.high), r.verdict, r.reason, r.reasons, r.fault)...), nil
	}, &said)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(strings.TrimSuffix(lines.String(), "\n"), "\n") {
		f := strings.Split(line, "\t")
		number := func(s string) estimate.Number {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			return estimate.Number(v)
		}
		out[f[0]] = scored{number(f[1]), number(f[2]), number(f[3]), f[4], f[5], f[6], f[7]}
	}
	return out, said.String(), failed
}

func sample(t testing.TB) []byte {
	t.Helper()
	data, err := os.ReadFile("testdata/survey-sample.csv")
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// The official estimates of the survey (public-domain file, sample of its rows) are reproduced to 0.01.
func TestSurveyReproducesOfficialEstimates(t *testing.T) {
	m, err := Load("survey-treadmill")
	if err != nil {
		t.Fatal(err)
	}
	data := sample(t)
	got, said, failed := run(t, m, "survey.csv", data)
	if failed || !strings.Contains(said, "rest_dbp1 is left out") {
		t.Errorf("failed %v, said %q", failed, said)
	}
	table, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := map[string]int{}
	for i, name := range table[0] {
		at[name] = i
	}
	with, without, high := 0, 0, 0
	for _, r := range table[1:] {
		s, there := got[r[at["seqn"]]]
		official := r[at["est_vo2max"]]
		switch {
		case !there || s.fault != "":
			t.Errorf("%s: %+v", r[0], s)
		case official == "":
			without++
			if s.value.Present() || s.reason == "" {
				t.Errorf("%s has no official estimate, ours %v, reason %q", r[0], s.value, s.reason)
			}
		default:
			with++
			want, err := strconv.ParseFloat(official, 64)
			if err != nil || math.Abs(float64(s.value)-want) > 0.01 {
				t.Errorf("%s: %v, official %s", r[0], s.value, official)
			}
			if !(s.low < s.value && s.value < s.high) {
				t.Errorf("%s: interval %v to %v around %v", r[0], s.low, s.high, s.value)
			}
			if want > 80 {
				high++
				if s.verdict != estimate.NotUsable || !strings.Contains(s.reasons, "above-elite") {
					t.Errorf("%s is %v, verdict %s (%s)", r[0], want, s.verdict, s.reasons)
				}
			}
			if strings.Contains(s.reasons, "differs-from-official") {
				t.Errorf("%s is said to differ: %s", r[0], s.reasons)
			}
		}
	}
	if with < 30 || without < 8 || high < 3 {
		t.Errorf("%d with, %d without, %d above 80", with, without, high)
	}
}

func TestOfficialValueIsOnlyCompared(t *testing.T) {
	m, err := Load("survey-treadmill")
	if err != nil {
		t.Fatal(err)
	}
	changed := bytes.Replace(sample(t), []byte(",40.03,"), []byte(",41.03,"), 1)
	got, _, _ := run(t, m, "survey.csv", changed)
	if s := got["5"]; math.Abs(float64(s.value)-40.0316) > 0.001 || !strings.Contains(s.reasons, "differs-from-official") {
		t.Errorf("%+v", s)
	}
}

func TestFaultyTables(t *testing.T) {
	m, err := Load("survey-treadmill")
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.SplitAfter(string(sample(t)), "\n")
	for _, c := range []struct{ text, want string }{
		{"", "t.csv:1:1: the table has no first line"},
		{strings.Replace(lines[0], "s2_hr", "s3_hr", 1) + lines[1], "column s2_hr is missing; mapping survey-treadmill needs it"},
		{strings.Replace(lines[0], "room_f", "seqn", 1) + lines[1], "column seqn appears twice"},
		{lines[0] + "5,\"x\n", "t.csv:2:"},
		{lines[0] + "5,1\n", "t.csv:2:"},
	} {
		_, err := m.Run("t.csv", strings.NewReader(c.text), plans, io.Discard, func(to []byte, _ *Score) ([]byte, error) { return to, nil }, io.Discard)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.30q: %v, want %s", c.text, err, c.want)
		}
	}
	bad := lines[0] + strings.Replace(lines[1], ",107,", ",many,", 1) + strings.Replace(lines[2], ",4,4,", ",4,9,", 1) + lines[3]
	_, said, failed := run(t, m, "t.csv", []byte(bad))
	if !failed || !strings.Contains(said, `t.csv:2:33: s1_hr: "many" is not a number`) {
		t.Errorf("failed %v, said %s", failed, said)
	}
}

func TestFaultyMappings(t *testing.T) {
	data, err := files.ReadFile("library/survey-treadmill.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ old, new, want string }{
		{"gradus-mapping/1", "gradus-mapping/2", "m.yaml:3:9: format is not known"},
		{"test: seqn", "tset: seqn", "unknown key tset; did you mean test?"},
		{"  age_years:", "  age:", "person.age is no input"},
		{"code: wish", "code: whim", "stop.letters.H needs one letter"},
		{"{part: stage-1, minutes: s1_min, heart_rate: s1_hr,", "{part: stage-1,", "stages[1] needs part"},
		{`words: ["1"]`, "words: []", "official needs"},
		{"  missing: no protocol is recorded, so no stage can be placed\n", "", "protocol needs words and missing"},
	} {
		changed := strings.Replace(string(data), c.old, c.new, 1)
		if changed == string(data) {
			t.Errorf("%q is not in the file", c.old)
			continue
		}
		if _, err := Read("m.yaml", []byte(changed)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %s", c.new, err, c.want)
		}
	}
	if _, err := Load("nothing"); err == nil || !strings.Contains(err.Error(), "known: survey-treadmill") {
		t.Errorf("%v", err)
	}
}

// BenchmarkSurvey scores the sample again and again: 6,600 rows, as many as the whole development file has.
func BenchmarkSurvey(b *testing.B) {
	m, err := Load("survey-treadmill")
	if err != nil {
		b.Fatal(err)
	}
	data := sample(b)
	head, rows, _ := bytes.Cut(data, []byte("\n"))
	n := bytes.Count(rows, []byte("\n"))
	table := append(append([]byte(nil), head...), '\n')
	total := 0
	for total < 6600 {
		table = append(table, rows...)
		total += n
	}
	for b.Loop() {
		count := 0
		_, err := m.Run("survey.csv", bytes.NewReader(table), plans, io.Discard, func(to []byte, s *Score) ([]byte, error) { return append(to, '.'), nil }, io.Discard)
		if err != nil {
			b.Fatal(err, count)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/6600rows")
}
