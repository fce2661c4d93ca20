package bulk

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gradus/internal/rows"
)

func TestPercentiles(t *testing.T) {
	e := stepper(t)
	ref, err := ReadReference("r.csv", strings.NewReader("sex,age_low,p2.5,p50,p95\nfemale,20,20,30.5,45\nfemale,60,10,20,20\nmale,40,30,40,50\n"), e)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		sex, age, value float64
		want            string
	}{
		{0, 20, 19.999, "0"}, {0, 20, 20, "2.5"}, {0, 59.9, 30.49, "2.5"}, {0, 59, 30.5, "50"}, {0, 59, 45, "95"}, {0, 59, 99, "95"},
		{0, 60, 19, "2.5"}, {0, 60, 20, "95"}, {0, 110, 20, "95"}, {0, 19, 40, ""}, {1, 39, 40, ""}, {1, 40, 40, "50"}, {1, 40, -5, "0"},
	} {
		if got := string(ref.appendPercentile(nil, ref.find(c.sex, c.age), c.value)); got != c.want {
			t.Errorf("sex %v, age %v, value %v: %q, want %q", c.sex, c.age, c.value, got, c.want)
		}
	}
	task := &Task{Estimator: e, Reference: ref}
	out, _, count, err := run(t, task, first+"\n1,34,male,82,100,139\n2,67,female,68.5,75,130\n3,50,male,x,75,130\n4,80,female,120,30,115\n")
	if err != nil || count != (Count{4, 1, 1}) {
		t.Fatal(err, count)
	}
	for i, end := range []string{",cautions,percentile", "coefficients-unverified,", "coefficients-unverified,95", "error:mass_kg,", "coefficients-unverified,"} {
		if line := strings.Split(out, "\n")[i]; !strings.HasSuffix(line, end) {
			t.Errorf("line %d is %s, want %s", i+1, line, end)
		}
	}
	if _, _, _, err := run(t, task, first+",percentile\n1,34,male,82,100,139,5\n"); err == nil || !strings.Contains(err.Error(), "column percentile is already there") {
		t.Errorf("percentile column: %v", err)
	}
}

// The divided search must count as a plain one does, also at the cuts themselves and right beside them.
func TestReachedCountsEveryCut(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	for range 300 {
		b := band{}
		v := r.NormFloat64() * math.Pow(10, float64(r.IntN(8)-3))
		for range 1 + r.IntN(40) {
			b.cuts = append(b.cuts, v)
			v += math.Floor(r.ExpFloat64()*3) * math.Pow(10, float64(r.IntN(5)-3))
		}
		b.divide()
		check := func(v float64) {
			want := 0
			for _, cut := range b.cuts {
				if v >= cut {
					want++
				}
			}
			if got := b.reached(v); got != want {
				t.Fatalf("%v in %v: %d, want %d", v, b.cuts, got, want)
			}
		}
		for _, cut := range b.cuts {
			check(cut)
			check(math.Nextafter(cut, math.Inf(1)))
			check(math.Nextafter(cut, math.Inf(-1)))
			check(cut + r.NormFloat64())
		}
		check(-1e300)
		check(1e300)
	}
}

func TestReferenceTablesThatAreRefused(t *testing.T) {
	e := stepper(t)
	for _, c := range []struct{ text, want string }{
		{"", "r.csv:1:1: the table needs"},
		{"sex,age_low,p5\n", "r.csv:1:1: the table needs"},
		{"sex,age_low\nmale,20\n", "r.csv:1:1: columns are missing"},
		{"sex,p5\nmale,20\n", "r.csv:1:1: columns are missing"},
		{"sex,age_low,p5,mean\nmale,20,1,2\n", `r.csv:1:4: column "mean" is not known`},
		{"sex,age_low,p100\nmale,20,1\n", `r.csv:1:3: column "p100" is not known`},
		{"sex,age_low,p50,p5\nmale,20,2,1\n", "r.csv:1:4: percentile p5 is not above"},
		{"sex,age_low,p5\nman,20,1\n", `r.csv:2:1: sex "man" is not known; write female or male`},
		{"sex,age_low,p5\nmale,old,1\n", `r.csv:2:2: age "old" is not a number`},
		{"sex,age_low,p5\nmale,20,NaN\n", `r.csv:2:3: "NaN" is not a number`},
		{"sex,age_low,p5,p50\nmale,20,2,1\n", "r.csv:2:4: 1 is below the percentile before it"},
		{"sex,age_low,p5\nmale,20\n", "r.csv:2:1: wrong number of fields"},
		{"sex,age_low,p5\nmale,20,1\nmale,20,2\n", "r.csv:1:1: two rows for one sex begin at age 20"},
		{"sex,age_low,p5\n" + strings.Repeat("male,20,1\n", 500_000), "r.csv:1:1: the table is longer"},
	} {
		_, err := ReadReference("r.csv", strings.NewReader(c.text), e)
		var fault *rows.Error
		if !errors.As(err, &fault) || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%.60q: %v, want %s", c.text, err, c.want)
		}
	}
	for _, text := range []string{"\xef\xbb\xbfsex;age_low;p5\nmale;20;30,5\n", "age_low,p5,sex\n20, 30.5, MALE\n", "sex,age_low,p5\n1,20,30.5\n"} {
		ref, err := ReadReference("r.csv", strings.NewReader(text), e)
		if err != nil || len(ref.bands) != 1 || ref.bands[0].cuts[0] != 30.5 || ref.bands[0].sex != 1 {
			t.Errorf("%q: %v", text, err)
		}
	}
}

func FuzzReference(f *testing.F) {
	f.Add("sex,age_low,p5,p50\nmale,20,1,2\nfemale,20,1,2\n")
	f.Add("sex;age_low;p5\n1;20;1,5\n")
	e := stepper(f)
	f.Fuzz(func(t *testing.T, text string) {
		ref, err := ReadReference("r.csv", strings.NewReader(text), e)
		if err != nil {
			return
		}
		for i := range ref.bands {
			if n := ref.bands[i].reached(30); n < 0 || n >= len(ref.percents) {
				t.Fatalf("%d cuts reached", n)
			}
		}
	})
}
