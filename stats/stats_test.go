package stats

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gradus/exact"
)

func table(t *testing.T, name string) [][]string {
	t.Helper()
	file, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func column(t *testing.T, rows [][]string, at int) []float64 {
	t.Helper()
	all := make([]float64, len(rows))
	for i, r := range rows {
		var err error
		if all[i], err = strconv.ParseFloat(r[at], 64); err != nil {
			t.Fatal(err)
		}
	}
	return all
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Max(math.Abs(want), 1e-300)) {
		t.Errorf("%s: %.17g, want %.17g", what, got, want)
	}
}

// The values were computed in 30-digit arithmetic.
func TestDistributionsAgainstCertifiedValues(t *testing.T) {
	count := map[string]int{}
	for _, r := range table(t, "distributions.csv") {
		count[r[0]]++
		var args []float64
		for _, a := range strings.Split(r[1], ";") {
			v, err := strconv.ParseFloat(a, 64)
			if err != nil {
				t.Fatal(err)
			}
			args = append(args, v)
		}
		want, err := strconv.ParseFloat(r[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		what := r[0] + " " + r[1]
		switch r[0] {
		case "chisq_quantile":
			near(t, what, ChiSquareQuantile(args[0], args[1]), want, 1e-10)
		case "chisq_upper_tail":
			near(t, what, ChiSquareAbove(args[0], args[1]), want, 1e-10)
		case "normal_upper_tail":
			near(t, what, Above(args[0]), want, 1e-13)
			near(t, what+" below", Below(-args[0]), want, 1e-13)
		case "normal_quantile":
			near(t, what, Below(exact.NormalQuantile(args[0])), args[0], 1e-13)
		}
	}
	for _, fn := range []string{"chisq_quantile", "chisq_upper_tail", "normal_upper_tail", "normal_quantile"} {
		if count[fn] == 0 {
			t.Errorf("no value of %s was compared", fn)
		}
	}
}

func TestChiSquareAtTheEdges(t *testing.T) {
	if v := ChiSquareQuantile(0, 5); v != 0 {
		t.Errorf("at 0: %v", v)
	}
	if v := ChiSquareQuantile(1, 5); !math.IsInf(v, 1) {
		t.Errorf("at 1: %v", v)
	}
	for _, bad := range [][2]float64{{-0.1, 5}, {1.1, 5}, {0.5, 0}, {math.NaN(), 5}} {
		if v := ChiSquareQuantile(bad[0], bad[1]); !math.IsNaN(v) {
			t.Errorf("at %v: %v", bad, v)
		}
	}
	if v := ChiSquareAbove(-1, 3); v != 1 {
		t.Errorf("above a negative number: %v", v)
	}
	for _, df := range []float64{1, 2, 19, 49, 1000} {
		for _, p := range []float64{1e-4, 0.025, 0.3, 0.5, 0.9, 0.975, 1 - 1e-4} {
			near(t, fmt.Sprintf("there and back at %g, %g", p, df), ChiSquareAbove(ChiSquareQuantile(p, df), df), 1-p, 1e-10)
		}
	}
}

// Training arm of an invented trial; the answers were recorded from R 4.2.2.
func TestReliableChangeAsRecorded(t *testing.T) {
	rows := table(t, "training-arm.csv")
	pre, post, rci := column(t, rows, 0), column(t, rows, 1), column(t, rows, 2)
	e := FromSEM(1.5, 22)
	near(t, "MDC95", e.MDC95(), 4.157711473049033, 1e-12)
	for i := range pre {
		if got := e.ReliableChange(pre[i], post[i], 0); math.Abs(got-rci[i]) > 1e-12 {
			t.Errorf("person %d: %v, want %v", i+1, got, rci[i])
		}
	}
	d, err := FromPairs(pre, post)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "SD of change", d.SDDiff, 2.302741637183609, 1e-12)
}

// Test and retest of 28 invented people; the answers were recorded from R 4.2.2.
func TestTypicalErrorAsRecorded(t *testing.T) {
	rows := table(t, "test-retest-2.csv")
	e, err := FromPairs(column(t, rows, 1), column(t, rows, 2))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "SD of change", e.SDDiff, 2.4046994334176914, 1e-12)
	near(t, "typical error", e.SEM(), 1.7003792760850982, 1e-12)
	low, high := e.MDC95Interval()
	near(t, "lower limit", low/(Z975*math.Sqrt2), 1.3443532597711267, 1e-10)
	near(t, "upper limit", high/(Z975*math.Sqrt2), 2.3144483852886557, 1e-10)
	if _, err := FromPairs([]float64{1}, []float64{2}); err == nil {
		t.Error("one person is enough")
	}
}

// Worked numbers; E names the example.
func TestWorkedExamples(t *testing.T) {
	within := func(what string, got, want, digits float64) {
		t.Helper()
		if math.Abs(got-want) > digits/2*1.0001 {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	e13 := FromICC(6, 0.90, 0)
	within("SD 6.0, ICC 0.90: SEM", e13.SEM(), 1.897, 0.001)
	within("MDC95", e13.MDC95(), 5.259, 0.001)
	within("22.0 to 26.5: reliable change", e13.ReliableChange(22, 26.5, 0), 1.677, 0.001)
	within("its p", 2*Above(e13.ReliableChange(22, 26.5, 0)), 0.094, 0.001)

	// PLoS One 2017;12(2):e0172294: healthy 47.2 (8.4), 47.7 (8.5), r 0.980, n 50; stroke 25.0 (9.9), 25.3 (11.4), r 0.987, n 20.
	healthy := FromSummary(8.4, 8.5, 0.980, 50)
	within("healthy SD of differences", healthy.SDDiff, 1.693, 0.001)
	within("healthy SEM", healthy.SEM(), 1.197, 0.001)
	within("healthy MDC95", healthy.MDC95(), 3.32, 0.01)
	within("40.0 to 44.0 less practice 0.5", healthy.ReliableChange(40, 44, 0.5), 2.07, 0.01)
	within("paired t of the group", 0.5/(healthy.SDDiff/math.Sqrt(50)), 2.09, 0.01)
	stroke := FromSummary(9.9, 11.4, 0.987, 20)
	within("stroke MDC95", stroke.MDC95(), 4.46, 0.01)
	low, high := stroke.MDC95Interval()
	within("its lower end", low, 3.4, 0.1)
	within("its upper end", high, 6.5, 0.1)

	// Am J Cardiol 2008, 10.1016/j.amjcard.2008.04.047: mean absolute difference 1.3.
	trial := RepeatError{SDDiff: 1.3 / math.Sqrt(2/math.Pi)}
	within("heart failure SD of differences", trial.SDDiff, 1.629, 0.001)
	within("heart failure SEM", trial.SEM(), 1.152, 0.001)
	within("heart failure MDC95", trial.MDC95(), 3.19, 0.01)
	within("15.0 to 17.0", trial.ReliableChange(15, 17, 0), 1.23, 0.01)

	within("one and two tests, SEM 1.61", FromSEM(1.61, 0).Averaged(1, 2), 3.86, 0.01)
	within("two and two tests", FromSEM(1.61, 0).Averaged(2, 2), 3.16, 0.01)
	within("regression to the mean", ExpectedTrue(14, 25, 0.80), 16.2, 0.1)
	within("individual response", IndividualResponse(4.5, 3.0), 3.354, 0.001)
	within("individual response the other way", IndividualResponse(3.0, 4.5), -3.354, 0.001)
}

// Worked numbers about whole equations and relative errors, each beside its source; E names the example.
func TestWorkedErrors(t *testing.T) {
	within := func(what string, got, want, digits float64) {
		t.Helper()
		if !(math.Abs(got-want) <= digits/2*1.0001) {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	// E16, BMC Sports Sci Med Rehabil 2021, 10.1186/s13102-021-00387-w: the error of a two-load cycle equation (SEE 0.28
	// L/min, Eur J Appl Physiol 2016, PMC4983286) correlates 0.84 between visits. As if it did not, the change is blurred
	// more than twice as much: a SEE is no error of a change.
	naive, kept := FromSummary(0.28, 0.28, 0, 0), FromSummary(0.28, 0.28, 0.84, 0)
	within("E16 SD of change, errors unrelated", naive.SDDiff, 0.396, 0.001)
	within("E16 MDC95, errors unrelated", naive.MDC95(), 0.776, 0.001)
	within("E16 SD of change, r 0.84", kept.SDDiff, 0.158, 0.001)
	within("E16 MDC95, r 0.84", kept.MDC95(), 0.310, 0.001)

	// E17, VO2max test precision meta-analysis of 39 studies: ln SEM = 0.661 + 0.006 VO2max.
	measured := FromSEM(math.Exp(0.661+0.006*40), 0)
	within("E17 SEM at 40", measured.SEM(), 2.462, 0.001)
	within("E17 MDC95 at 40", measured.MDC95(), 6.82, 0.01)
	within("E17 in percent", 100*measured.MDC95()/40, 17.1, 0.1)

	// E18, first-order error of VO2sub (HRmax - HRrest) / (HRsub - HRrest): HRmax 170 (SD 10.8, Am J Hum Biol, PMID
	// 23913510), rest 70, HR 130 (SD 4), power and efficiency 5 % each, VO2sub 15.
	value := 15.0 * (170 - 70) / (130 - 70)
	hrMax, hr := 10.8/(170-70), 4.0/(130-70)
	within("E18 estimate", value, 25.0, 0.1)
	within("E18 from the maximal heart rate", 100*hrMax, 10.8, 0.1)
	within("E18 from the heart rate", 100*hr, 6.7, 0.1)
	within("E18 together", 100*Together(hrMax, hr, 0.05, 0.05), 14.5, 0.1)
	within("E18 of the value", value*Together(hrMax, hr, 0.05, 0.05), 3.63, 0.01)
	within("E18 change, from the heart rate alone", 100*FromSEM(hr, 0).MDC95(), 18.5, 0.1)

	// E19, heart failure, pure.psu.edu, Reproducibility of peak oxygen uptake: CV 5.9 %.
	within("E19 linear", 100*FromSEM(0.059, 0).MDC95(), 16.4, 0.1)
	down, up := FromCV(0.059, 0).RatioLimits()
	within("E19 upwards", 100*(up-1), 17.2, 0.1)
	within("E19 downwards", 100*(down-1), -14.7, 0.1)
}

func ExampleRepeatError_MDC95() {
	// Recumbent stepper, healthy adults: 47.2 (8.4) and 47.7 (8.5) mL/kg/min, r 0.980, n 50.
	e := FromSummary(8.4, 8.5, 0.980, 50)
	low, high := e.MDC95Interval()
	fmt.Printf("SEM %.2f, beyond error from %.2f (%.1f to %.1f) mL/kg/min\n", e.SEM(), e.MDC95(), low, high)
	// Output: SEM 1.20, beyond error from 3.32 (2.8 to 4.1) mL/kg/min
}
