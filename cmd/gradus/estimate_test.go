package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// gradus runs the program as a person would.
func gradus(in string, args ...string) (out, errs string, code int) {
	var o, e bytes.Buffer
	code = run(args, strings.NewReader(in), &o, &e)
	return o.String(), e.String(), code
}

var s2 = []string{"estimate", "recumbent-stepper-2012", "age_years=67", "sex=female", "mass_kg=68.5", "end_work_w=75", "end_hr_bpm=130"}

// with replaces or adds name=value arguments to those of s2.
func with(changes ...string) []string {
	args := append([]string(nil), s2...)
	for _, change := range changes {
		name, _, _ := strings.Cut(change, "=")
		found := false
		for i, arg := range args {
			if strings.HasPrefix(arg, name+"=") {
				args[i], found = change, true
			}
		}
		if !found {
			args = append(args, change)
		}
	}
	return args
}

// Example S2 of the stepper equation (Med Sci Sports Exerc 2012;44(8):1539-1544, coefficients from memory).
func TestEstimateAsJSON(t *testing.T) {
	out, errs, code := gradus("", with("--json")...)
	var got struct {
		Verdict, Unit, Source                    string
		Value, SEE, Low95, High95, Low68, High68 *float64
		Cautions                                 []struct{ ID, Text, Source string }
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil || code != 0 || errs != "" {
		t.Fatalf("%v, exit %d, %s", err, code, errs)
	}
	if math.Abs(*got.Value-22.3965) > 1e-9 || math.Abs(*got.High95-*got.Value-8.7455) > 1e-3 || math.Abs(*got.Value-*got.Low95-8.7455) > 1e-3 {
		t.Errorf("%s", out)
	}
	if *got.SEE != 4.2 || got.Unit != "mL/kg/min" || got.Verdict != "estimate" || !strings.Contains(got.Source, "10.1249/MSS.0b013e31824f5be4") {
		t.Errorf("%s", out)
	}
	if len(got.Cautions) != 2 || got.Cautions[0].ID != "drugs-not-recorded" || got.Cautions[1].Text != "coefficients not verified against the paper" || got.Cautions[1].Source == "" {
		t.Errorf("cautions %+v", got.Cautions)
	}
}

func TestEstimateAsText(t *testing.T) {
	out, errs, code := gradus("", with("rate_limiting_drug=metoprolol", "hr_method=palpated-15s")...)
	for _, want := range []string{
		"VO2peak 22.4 mL/kg/min, 95 % interval 13.7 to 31.1\n",
		"checked in healthy and older volunteers, not after stroke",
		"It predicts a treadmill peak.",
		"Caution: a rate-limiting drug is taken (metoprolol)",
		"Caution: the pulse was counted for 15 s",
		"Caution: coefficients not verified against the paper.\n",
		"-0.415 for end heart rate +1 /min",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
	if code != 0 || errs != "" || strings.Count(out, "\n") > 12 {
		t.Errorf("exit %d, %s%s", code, errs, out)
	}
	if out, _, _ := gradus("", with("age_years=77", "mass_kg=70", "end_work_w=50", "end_hr_bpm=140")...); !strings.Contains(out, "95 % interval < 3.5 to 17.1") {
		t.Errorf("a lower end below 3.5:\n%s", out)
	}
}

func TestRefusedEstimate(t *testing.T) {
	s7 := with("age_years=80", "mass_kg=120", "end_work_w=30", "end_hr_bpm=115")
	out, errs, code := gradus("", append(s7, "--json")...)
	var got map[string]any
	if err := json.Unmarshal([]byte(out), &got); err != nil || code != 1 || errs != "" {
		t.Fatalf("%v, exit %d, %s", err, code, errs)
	}
	if value, there := got["value"]; got["verdict"] != "refused" || !there || value != nil || got["low95"] != nil || got["high95"] != nil {
		t.Errorf("%s", out)
	}
	out, _, code = gradus("", s7...)
	if code != 1 || !strings.HasPrefix(out, "Refused: the equation gives a value below 3.5 mL/kg/min") || strings.Contains(out, "8.8") {
		t.Errorf("exit %d\n%s", code, out)
	}
}

func TestBadValuesEndWithOne(t *testing.T) {
	for change, want := range map[string]string{
		"end_hr_bpm=412":       "gradus: end_hr_bpm: 412 /min is outside 25 to 250; check the entry\n",
		"mass_kg=-68":          "gradus: mass_kg: -68 kg is outside",
		"mass_kg=NaN":          `gradus: mass_kg: "NaN" is not a number`,
		"mass_kg=heavy":        `gradus: mass_kg: "heavy" is not a number`,
		"sex=f":                `gradus: sex: "f" is not known; write female or male`,
		"age_years=":           "gradus: age_years: no value; enter it",
		"hr_method=guess":      `gradus: hr_method: "guess" is not known`,
		"end_point_bpm=20":     `gradus: end_point_bpm: "20" is not a number from 30 to 250`,
		"unsteady_stage=maybe": "gradus: unsteady_stage",
		"max_hr_formula=230":   "gradus: max_hr_formula",
	} {
		out, errs, code := gradus("", with(change)...)
		if code != 1 || !strings.HasPrefix(errs, want) || out != "" {
			t.Errorf("%s: exit %d, %q, want %q", change, code, errs, want)
		}
	}
}

func TestAgeFourIsACaution(t *testing.T) {
	out, _, code := gradus("", with("age_years=4")...)
	if code != 0 || !strings.Contains(out, "Caution: age 4 years is 16 below the 20 to 78 years") {
		t.Errorf("exit %d\n%s", code, out)
	}
}

func TestWrongUsageEndsWithTwo(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"estimate"}, "expected"},
		{[]string{"estimate", "nothing", "age_years=1"}, `no estimator is called "nothing"; gradus estimators --brief lists all`},
		{s2[:6], "end_hr_bpm is missing"},
		{append(with(), "height_cm=170"), `recumbent-stepper-2012 has no input "height_cm"; it takes age_years, sex`},
		{append(with(), "age_years=68"), "age_years is given twice"},
		{append(with(), "female"), `"female" is not name=value`},
		{append(with(), "--out", "x.csv"), "need --in"},
		{append(with(), "--skip-bad"), "need --in"},
		{append(with(), "--in", "x.csv"), "leave out age_years=67"},
		{[]string{"estimate", "recumbent-stepper-2012", "--in", "x.csv", "--json"}, "leave out --json"},
		{[]string{"estimate", "recumbent-stepper-2012", "--table"}, "unknown flag"},
	} {
		out, errs, code := gradus("", c.args...)
		if code != 2 || !strings.Contains(errs, c.want) || out != "" {
			t.Errorf("%v: exit %d, %q, want %q", c.args, code, errs, c.want)
		}
	}
}

func TestEstimatorsAreListed(t *testing.T) {
	out, _, code := gradus("", "estimators", "--json")
	var list []struct {
		ID, Source string
		Inputs     []struct {
			Name, Unit string
			Coding     map[string]float64
		}
		Error struct{ SEE, N float64 }
	}
	if err := json.Unmarshal([]byte(out), &list); err != nil || code != 0 {
		t.Fatal(err, code)
	}
	found := false
	for _, e := range list {
		if e.ID == "recumbent-stepper-2012" {
			found = true
			if len(e.Inputs) != 5 || e.Inputs[0].Unit != "years" || e.Inputs[1].Coding["male"] != 1 || e.Error.SEE != 4.2 || e.Source == "" {
				t.Errorf("%+v", e)
			}
		}
	}
	text, _, code := gradus("", "estimators")
	if !found || code != 0 || !strings.Contains(text, "125.707 - 0.476 age_years - 0.451 mass_kg + 7.686 sex + 0.179 end_work_w - 0.415 end_hr_bpm") {
		t.Errorf("%v, exit %d\n%s", found, code, text)
	}
}

func tempFile(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestOwnEstimatorFile(t *testing.T) {
	own, err := os.ReadFile("../../bench/score-million/invented.yaml")
	if err != nil {
		t.Fatal(err)
	}
	values := []string{"age=40", "sex=1", "weight=80", "watts=100", "hr=130"}
	path := tempFile(t, "own.yaml", string(own))
	out, errs, code := gradus("", append([]string{"estimate", path, "--json"}, values...)...)
	// 55 - 10 + 4.1 - 12 + 9 - 7.8
	if code != 0 || !strings.Contains(out, `"value": 38.3`) {
		t.Errorf("exit %d, %s%s", code, errs, out)
	}
	bad := tempFile(t, "bad.yaml", strings.Replace(string(own), "how: choice", "hwo: choice", 1))
	if _, errs, code := gradus("", append([]string{"estimate", bad}, values...)...); code != 1 || !strings.Contains(errs, "bad.yaml:5:") || !strings.Contains(errs, "did you mean how?") {
		t.Errorf("exit %d, %s", code, errs)
	}
	if _, errs, code := gradus("", "estimate", "none.yaml", "a=1"); code != 1 || !strings.Contains(errs, "none.yaml") {
		t.Errorf("exit %d, %s", code, errs)
	}
}

const table = "id,age_years,sex,mass_kg,end_work_w,end_hr_bpm\nA,67,female,68.5,75,130\n"

func TestRowsOfAFile(t *testing.T) {
	in := tempFile(t, "in.csv", table)
	bad := tempFile(t, "bad.csv", table+"B,67,female,68.5,75,412\nC,80,female,120,30,115\n")
	out := filepath.Join(t.TempDir(), "out.csv")
	id := "recumbent-stepper-2012"

	direct, errs, code := gradus("", "estimate", id, "--in", in)
	if code != 0 || errs != "" || !strings.HasSuffix(direct, "A,67,female,68.5,75,130,22.396,4.200,13.651,31.142,drugs-not-recorded coefficients-unverified\n") {
		t.Errorf("exit %d, %s%s", code, errs, direct)
	}
	if piped, _, code := gradus(table, "estimate", id, "--in", "-"); code != 0 || piped != direct {
		t.Errorf("from standard input: exit %d, %s", code, piped)
	}
	if said, errs, code := gradus("", "estimate", id, "--in", in, "--out", out); code != 0 || said+errs != "" {
		t.Errorf("to a file: exit %d, %s%s", code, said, errs)
	}
	if data, err := os.ReadFile(out); err != nil || string(data) != direct {
		t.Errorf("%v, the file holds %s", err, data)
	}

	_, errs, code = gradus("", "estimate", id, "--in", bad, "--out", out)
	if code != 1 || !strings.Contains(errs, "bad.csv:3:6: end_hr_bpm: 412 /min is outside 25 to 250; check the entry\n") || !strings.Contains(errs, "1 of 3 rows are bad") || !strings.Contains(errs, "1 of 3 rows give an impossible value") {
		t.Errorf("exit %d, %s", code, errs)
	}
	data, err := os.ReadFile(out)
	if err != nil || strings.Count(string(data), "\n") != 4 || !strings.Contains(string(data), "412,,,,,error:end_hr_bpm\n") || !strings.Contains(string(data), "115,,,,,refused ") {
		t.Errorf("%v, the file holds %s", err, data)
	}
	if _, errs, code := gradus("", "estimate", id, "--in", bad, "--out", out, "--skip-bad"); code != 0 || !strings.Contains(errs, "bad.csv:3:6:") {
		t.Errorf("--skip-bad: exit %d, %s", code, errs)
	}
}

func TestFilesThatEndTheRunLeaveNothing(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "out.csv")
	reference := tempFile(t, "ref.csv", "sex,age_low,p5,mean\nmale,20,30,31\n")
	for _, c := range []struct {
		text string
		more []string
		want string
	}{
		{"", nil, "in.csv:1:1: the file is empty"},
		{strings.SplitAfter(table, "\n")[0], nil, "in.csv:1:1: no rows follow"},
		{strings.ReplaceAll(table, ",", "\t"), nil, "in.csv:1:1: the columns are separated by tabs"},
		{strings.Replace(table, "id", "see", 1), nil, "in.csv:1:1: column see is already there"},
		{table + strings.Repeat("x", 600_000), nil, "in.csv:3:1: a row is longer"},
		{"\x00\x01\x02" + table, nil, "in.csv:1:1: this is not a text file"},
		{table, []string{"--reference", reference}, `ref.csv:1:4: column "mean" is not known`},
		{table, []string{"--reference", "none.csv"}, "none.csv"},
		{table, []string{"--out", filepath.Join(dir, "none", "out.csv")}, "check that the folder is there"},
	} {
		in := tempFile(t, "in.csv", c.text)
		args := append([]string{"estimate", "recumbent-stepper-2012", "--in", in, "--out", out}, c.more...)
		_, errs, code := gradus("", args...)
		entries, err := os.ReadDir(dir)
		if code != 1 || !strings.Contains(errs, c.want) || err != nil || len(entries) != 0 {
			t.Errorf("%.30q: exit %d, %q, %d files; want %q", c.text, code, errs, len(entries), c.want)
		}
	}
}

// Names of the publications, other units and stages as lists.
func TestEstimateByOtherNames(t *testing.T) {
	value := func(args ...string) float64 {
		t.Helper()
		out, errs, code := gradus("", append([]string{"estimate"}, append(args, "--json")...)...)
		var r struct{ Value float64 }
		if err := json.Unmarshal([]byte(out), &r); err != nil || code != 0 {
			t.Fatalf("%v: exit %d, %s%s (%v)", args, code, out, errs, err)
		}
		return r.Value
	}
	for _, c := range []struct {
		args []string
		want float64
	}{
		{[]string{"mile_walk_1987_rel", "male=0", "age=30", "lb=150", "t=15.2", "hr=128"}, 40.02852},
		{[]string{"mile-walk-1987-rel", "sex=female", "age_years=30", "mass_kg=68.0388555", "time_s=912", "hr_bpm=128"}, 40.02852},
		{[]string{"smwt-2011", "m=650", "kg=75", "female=0", "rhr=64", "age=40"}, 44.419},
		{[]string{"nx-bmi-2011-men", "age=24", "cm=181", "kg=78", "rhr=68", "pai=8.5"}, 52.816892},
		{[]string{"walk", "speed_kmh=6", "grade_percent=5"}, 22.5},
		{[]string{"cycle-extrapolation", "mass_kg=80", "age=40", "work_w=75,100,125", "hr=118,131,144"}, 33.221154},
		{[]string{"cycle-extrapolation", "mass_kg=68", "age_years=55", "max_hr_formula=tanaka", "work_kgm_min=300,450", "hr_bpm=125,139"}, 27.561983},
		{[]string{"survey-treadmill", "vo2=17.8,24.4", "hr=107,126", "max_hr_bpm=171"}, 40.031579},
	} {
		if got := value(c.args...); math.Abs(got-c.want) > 1e-5 {
			t.Errorf("%v: %v, want %v", c.args, got, c.want)
		}
	}
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"astrand-a-men", "sex=female", "vo2sub=2.8", "hr=150"}, 1, "is for men only"},
		{[]string{"walk", "mph=3", "speed_kmh=5", "g=0"}, 2, "speed_m_min is given twice"},
		{[]string{"walk", "mph=300", "g=0"}, 1, "mph: 300 mph is 8040 m/min, outside 1 to 600"},
		{[]string{"smwt-2011", "m=650", "kg=75", "female=2", "rhr=64", "age=40"}, 1, "female: 2 is neither 0 nor 1"},
		{[]string{"cycle-extrapolation", "mass_kg=80", "age=40", "work_w=75,100,125", "hr=118,131"}, 2, "hr has 2 values, other inputs have 3"},
		{[]string{"cycle-extrapolation", "mass_kg=80", "work_w=75,100", "hr=118,131"}, 1, "max_hr_bpm is missing"},
		{[]string{"cycle-extrapolation", "mass_kg=80", "age=40", "work_w=100,75", "hr=118,131"}, 1, ""},
		{[]string{"walk", "mph=3", "g=0", "--simulate", "10"}, 2, "--simulate and --seed are for"},
	} {
		out, errs, code := gradus("", append([]string{"estimate"}, c.args...)...)
		if code != c.code || !strings.Contains(errs, c.want) {
			t.Errorf("%v: exit %d, %s%s, want %d %s", c.args, code, out, errs, c.code, c.want)
		}
	}
}

// Every estimator shows an example that runs.
func TestExamplesOfEstimatorsRun(t *testing.T) {
	out, _, code := gradus("", "estimators", "--json")
	var list []struct{ ID, Example string }
	if err := json.Unmarshal([]byte(out), &list); err != nil || code != 0 || len(list) < 100 {
		t.Fatal(err, code, len(list))
	}
	for _, e := range list {
		if out, errs, code := gradus("", strings.Fields(e.Example)[1:]...); code != 0 || out == "" {
			t.Errorf("%s: exit %d, %s%s", e.Example, code, out, errs)
		}
	}
}

func TestVerificationCanBeDemanded(t *testing.T) {
	if _, errs, code := gradus("", with("--require-verified")...); code != 1 || !strings.Contains(errs, "recumbent-stepper-2012: coefficients not verified against the paper") {
		t.Errorf("exit %d, %s", code, errs)
	}
	if out, errs, code := gradus("", "estimate", "tanaka", "age=40", "--require-verified"); code != 0 || !strings.Contains(out, "180.0 /min") {
		t.Errorf("exit %d, %s%s", code, out, errs)
	}
	out, _, code := gradus("", "score", "../../demo/day-1.csv", "--json", "--require-verified")
	if code != 0 || !strings.Contains(out, `"estimate": null`) || !strings.Contains(out, "this site demands it") {
		t.Errorf("exit %d, %.300s", code, out)
	}
}
