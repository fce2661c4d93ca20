package bulk

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"gradus/estimate"
	"gradus/estimate/library"
	"gradus/internal/rows"
)

func stepper(tb testing.TB) *estimate.Estimator {
	tb.Helper()
	e, err := library.ByID("recumbent-stepper-2012")
	if err != nil {
		tb.Fatal(err)
	}
	return e
}

// drug is a fact as the command line gives it.
var drug = Fact{"rate_limiting_drug", func(c *estimate.Context, text string) error {
	if text == "?" {
		return errors.New("write yes or no; or the name")
	}
	c.Drug = text
	return nil
}}

func run(t testing.TB, task *Task, text string) (out, complaints string, count Count, err error) {
	t.Helper()
	var o, c bytes.Buffer
	count, err = task.Run("t.csv", strings.NewReader(text), &o, &c)
	return o.String(), c.String(), count, err
}

const first = "id,age_years,sex,mass_kg,end_work_w,end_hr_bpm"

// Worked examples of the stepper equation (Med Sci Sports Exerc 2012;44(8):1539-1544, coefficients from memory);
// S2 is 22.3965, a hair below in binary. The interval is 2.0484 * 4.2 * sqrt(1 + 1/30) = 8.7455 on either side.
func TestRowsEqualTheWorkedExamples(t *testing.T) {
	out, complaints, count, err := run(t, &Task{Estimator: stepper(t)}, first+",note\n"+
		"S1,34,male,82.0,100,139,\"a, b\"\n"+
		"S2,67,female,68.5,75,130,\n"+
		"S7,80,female,120.0,30,115,x\n"+
		"S8,20,male,65,175,120,y")
	want := first + ",note,estimate,see,low95,high95,cautions\n" +
		"S1,34,male,82.0,100,139,\"a, b\",40.442,4.200,31.696,49.188,drugs-not-recorded coefficients-unverified\n" +
		"S2,67,female,68.5,75,130,,22.396,4.200,13.651,31.142,drugs-not-recorded coefficients-unverified\n" +
		"S7,80,female,120.0,30,115,x,,,,,refused drugs-not-recorded outside-domain-age-years outside-domain-mass-kg below-checked-range coefficients-unverified\n" +
		"S8,20,male,65,175,120,y,76.083,4.200,67.337,84.829,drugs-not-recorded end-heart-rate-low above-usual-range coefficients-unverified\n"
	if err != nil || complaints != "" || count != (Count{4, 0, 1}) {
		t.Errorf("error %v, complaints %q, count %+v", err, complaints, count)
	}
	if out != want {
		t.Errorf("got\n%s\nwant\n%s", out, want)
	}
}

func TestBadRowsAreMarkedAndReported(t *testing.T) {
	good := "9,50,male,80,100,130"
	for _, c := range []struct{ row, kept, caution, complaint string }{
		{"1,50,male,80,100,412", "", "error:end_hr_bpm", "t.csv:3:6: end_hr_bpm: 412 /min is outside 25 to 250; check the entry"},
		{"1,50,male,-80,100,130", "", "error:mass_kg", "t.csv:3:4: mass_kg: -80 kg is outside 10 to 400"},
		{"1,50,male,NaN,100,130", "", "error:mass_kg", `t.csv:3:4: mass_kg: "NaN" is not a number`},
		{"1,,male,80,100,130", "", "error:age_years", "t.csv:3:2: age_years: no value"},
		{"1,50,man,80,100,130", "", "error:sex", `t.csv:3:3: sex: "man" is not known; write female or male`},
		{"1,50,males,80,100,130", "", "error:sex", `t.csv:3:3: sex: "males"`},
		{"1,50,male,80 kg,100,130", "", "error:mass_kg", `t.csv:3:4: mass_kg: "80 kg" is not a number`},
		{"1,50,male,80", "1,50,male,80,,", "error:columns", "t.csv:3:4: the row has 4 fields, the first line 6"},
		{"1,50,male,80,100,130,7,8", "1,50,male,80,100,130", "error:columns", "t.csv:3:8: the row has 8 fields, the first line 6"},
		{"1,x,y,z,100,130", "", "error:age_years", "t.csv:3:2: age_years"},
		{`"1,50,male,80,100,130`, `"1,50,male,80,100,130` + "\n" + good + `",,,,,`, "error:columns", "t.csv:3:1: a quotation mark opens here and does not close"},
		{"1,50,male,80,100,\"130", "1,50,male,80,100,\"130\n" + good + `"`, "error:columns", "t.csv:3:6: a quotation mark opens here and does not close"},
	} {
		out, complaints, count, err := run(t, &Task{Estimator: stepper(t)}, first+"\n"+good+"\n"+c.row+"\n"+good+"\n")
		if err != nil {
			t.Fatalf("%s: %v", c.row, err)
		}
		if c.kept == "" {
			c.kept = c.row
		}
		if !strings.Contains(out, "\n"+c.kept+",,,,,"+c.caution+"\n") {
			t.Errorf("%s: output\n%s", c.row, out)
		}
		if !strings.HasPrefix(complaints, c.complaint) || strings.Count(complaints, "\n") != 1 || count.Bad != 1 {
			t.Errorf("%s: complaints %q, %+v, want %q", c.row, complaints, count, c.complaint)
		}
		if !strings.Contains(c.row, `"`) && strings.Count(out, "\n"+good+",37.") != 2 {
			t.Errorf("%s: the other rows were harmed:\n%s", c.row, out)
		}
	}
}

func TestOddButHarmlessRows(t *testing.T) {
	answer := ",37.463,4.200,28.717,46.209,drugs-not-recorded coefficients-unverified"
	for _, c := range []struct{ text, want string }{
		{first + "\r\n9,50,male,80,100,130\r\n", first + ",estimate,see,low95,high95,cautions\r\n9,50,male,80,100,130" + answer + "\r\n"},
		{first + "\n9, 50 ,Male,\"80\",1e2,+130\n", first + ",estimate,see,low95,high95,cautions\n9, 50 ,Male,\"80\",1e2,+130" + answer + "\n"},
		{first + "\n\n9,50,male,80,100,130,,\n\n", first + ",estimate,see,low95,high95,cautions\n9,50,male,80,100,130" + answer + "\n"},
		{"\xef\xbb\xbf" + first + "\n\"two\nlines\",50,male,80,100,130", "\xef\xbb\xbf" + first + ",estimate,see,low95,high95,cautions\n\"two\nlines\",50,male,80,100,130" + answer + "\n"},
		{"end_hr_bpm;x;end_work_w;mass_kg;sex;age_years\n130;a,b;100;80,0;male;50\n", "end_hr_bpm;x;end_work_w;mass_kg;sex;age_years;estimate;see;low95;high95;cautions\n130;a,b;100;80,0;male;50" + strings.NewReplacer(",", ";", ".", ",").Replace(answer) + "\n"},
		{"end_hr_bpm;x;end_work_w;mass_kg;sex;age_years\n130;;100;80.0;male;50\n", "end_hr_bpm;x;end_work_w;mass_kg;sex;age_years;estimate;see;low95;high95;cautions\n130;;100;80.0;male;50" + strings.NewReplacer(",", ";", ".", ",").Replace(answer) + "\n"},
	} {
		out, complaints, count, err := run(t, &Task{Estimator: stepper(t)}, c.text)
		if err != nil || complaints != "" || count != (Count{1, 0, 0}) || out != c.want {
			t.Errorf("%q: %v %q %+v\ngot  %q\nwant %q", c.text, err, complaints, count, out, c.want)
		}
	}
}

func TestFactsOfTheTestBringTheirCautions(t *testing.T) {
	task := &Task{Estimator: stepper(t), Facts: []Fact{drug}}
	out, complaints, count, err := run(t, task, first+",rate_limiting_drug\n9,50,male,80,100,130,no\n9,50,male,80,100,130,bisoprolol\n9,50,male,80,100,130,\n9,50,male,80,100,130,?\n")
	if err != nil || count != (Count{4, 1, 0}) {
		t.Errorf("%v %+v", err, count)
	}
	for i, want := range []string{"no,37.463,4.200,28.717,46.209,coefficients-unverified", ",rate-limiting-drug coefficients-unverified", ",drugs-not-recorded coefficients-unverified", ",?,,,,,error:rate_limiting_drug"} {
		if line := strings.Split(out, "\n")[i+1]; !strings.HasSuffix(line, want) {
			t.Errorf("line %d is %s, want %s", i+2, line, want)
		}
	}
	if complaints != "t.csv:5:7: rate_limiting_drug: write yes or no; or the name\n" {
		t.Errorf("complaints %q", complaints)
	}
}

func TestManyBadRowsAreCountedNotListed(t *testing.T) {
	_, complaints, count, err := run(t, &Task{Estimator: stepper(t)}, first+"\n"+strings.Repeat("1,50,male,80,100,0\n", 20_000))
	if err != nil || count != (Count{20_000, 20_000, 0}) {
		t.Errorf("%v %+v", err, count)
	}
	if n := strings.Count(complaints, "\n"); n != maxReported+1 || !strings.Contains(complaints, "t.csv:21:6: ") || !strings.Contains(complaints, "19980 more bad rows") {
		t.Errorf("%d complaints, the last: %s", n, complaints[max(0, len(complaints)-200):])
	}
}

func TestTablesThatCannotBeScored(t *testing.T) {
	row := "\n9,50,male,80,100,130\n"
	for _, c := range []struct{ text, want string }{
		{strings.Replace(first, "mass_kg", "weight", 1) + row, "t.csv:1:1: column mass_kg is missing; recumbent-stepper-2012 needs age_years, sex, mass_kg, end_work_w, end_hr_bpm, separated by commas"},
		{strings.Replace(first, "id", "sex", 1) + row, "t.csv:1:3: column sex appears twice"},
		{strings.Replace(first, "id", "estimate", 1) + row, "t.csv:1:1: column estimate is already there"},
		{strings.Replace(first, "id", "cautions", 1) + row, "t.csv:1:1: column cautions is already there"},
		{strings.ReplaceAll(first, ",", "|") + row, "t.csv:1:1: column age_years is missing"},
		{"", "t.csv:1:1: the file is empty"},
		{first + "\n", "t.csv:1:1: no rows follow"},
	} {
		_, _, _, err := run(t, &Task{Estimator: stepper(t)}, c.text)
		var fault *rows.Error
		if !errors.As(err, &fault) || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%.40q: %v, want %s", c.text, err, c.want)
		}
	}
	if _, _, _, err := run(t, &Task{Estimator: stepper(t)}, strings.Replace(first, "id", "percentile", 1)+row); err != nil {
		t.Errorf("percentile is free without a reference table: %v", err)
	}
}

// spelled writes a value in one of the ways a table may hold it.
func spelled(r *rand.Rand, v float64) string {
	text := strconv.FormatFloat(v, 'f', -1, 64)
	switch r.IntN(6) {
	case 0:
		return " " + text
	case 1:
		return `"` + text + `"`
	case 2:
		return text + "e0"
	}
	return text
}

// Whatever way a row takes through the program, the answer is that of a single estimate, and the table read
// back by another reader has the same cells.
func TestEveryWayGivesTheSingleEstimate(t *testing.T) {
	e, r := stepper(t), rand.New(rand.NewPCG(6, 6))
	var text strings.Builder
	text.WriteString("end_hr_bpm,note,sex,age_years,mass_kg,end_work_w\n")
	type person struct {
		values []float64
		note   string
	}
	var people []person
	for range 20_000 {
		p := person{[]float64{float64(5 + r.IntN(100)), float64(r.IntN(2)), float64(200+r.IntN(1500)) / 10, float64(30 + r.IntN(200)), float64(60 + r.IntN(140))}, ""}
		note := ""
		if r.IntN(3) == 0 {
			p.note, note = `said "no", left`, `"said ""no"", left"`
		}
		sex := []string{"female", "male"}[int(p.values[1])]
		fmt.Fprintf(&text, "%s,%s,%s,%s,%s,%s\n", spelled(r, p.values[4]), note, sex, spelled(r, p.values[0]), spelled(r, p.values[2]), spelled(r, p.values[3]))
		people = append(people, p)
	}
	out, complaints, count, err := run(t, &Task{Estimator: e}, text.String())
	if err != nil || complaints != "" || count.Rows != len(people) || count.Bad != 0 {
		t.Fatalf("%v %+v %.300s", err, count, complaints)
	}
	table, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if err != nil || len(table) != len(people)+1 {
		t.Fatalf("%v, %d rows", err, len(table))
	}
	refused := 0
	for i, p := range people {
		want, err := e.Estimate(p.values, estimate.Context{})
		if err != nil {
			t.Fatal(err)
		}
		var ids []string
		if want.Verdict == estimate.Refused {
			refused++
			ids = append(ids, "refused")
		}
		for _, c := range want.Cautions {
			ids = append(ids, c.ID)
		}
		see := "4.200"
		if want.Verdict == estimate.Refused {
			see = ""
		}
		cells := []string{p.note, fixed3(want.Value), see, fixed3(want.Low95), fixed3(want.High95), strings.Join(ids, " ")}
		if got := append(table[i+1][1:2:2], table[i+1][6:]...); fmt.Sprint(got) != fmt.Sprint(cells) {
			t.Fatalf("row %d %v: %q, want %q", i+2, p, got, cells)
		}
	}
	if refused == 0 || refused != count.Refused {
		t.Errorf("%d refused, counted %d", refused, count.Refused)
	}
}

func fixed3(n estimate.Number) string {
	if !n.Present() {
		return ""
	}
	return strconv.FormatFloat(float64(n), 'f', 3, 64)
}

func FuzzRun(f *testing.F) {
	f.Add(first + "\n9,50,male,80,100,130\n1,,,,,\n")
	f.Add(first + ",rate_limiting_drug\r\n\"9\",50,male,80,100,130,no\r\n")
	f.Add("\xef\xbb\xbf" + strings.ReplaceAll(first, ",", ";") + "\n9;50;male;80,5;100;130")
	f.Add(first + "\n\"open,50,male,80,100,130\n")
	f.Add("a,b\n1,2\n")
	task := &Task{Estimator: stepper(f), Facts: []Fact{drug}}
	f.Fuzz(func(t *testing.T, text string) {
		var out, complaints bytes.Buffer
		count, err := task.Run("t.csv", strings.NewReader(text), &out, &complaints)
		if err != nil {
			return
		}
		if count.Bad > 0 != (complaints.Len() > 0) {
			t.Fatalf("%d bad rows, complaints %q", count.Bad, complaints.String())
		}
		file, err := rows.Open("out.csv", bytes.NewReader(out.Bytes()))
		if err != nil {
			t.Fatalf("the output cannot be read: %v\n%q", err, out.String())
		}
		for _, name := range appended {
			if _, there, err := file.Column(name); err != nil || !there {
				t.Fatalf("column %s: %v, %v", name, there, err)
			}
		}
	})
}
