package exchange

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/exchange/workbook"
	"gradus/internal/sheet"
)

func bytesOf(t testing.TB, b *workbook.Book) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := b.Write(&out); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// uncounted takes the last values of formulas out of a file, so that whoever opens it must compute them.
func uncounted(t *testing.T, data []byte) []byte {
	t.Helper()
	in, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	value := regexp.MustCompile(`(<f>[^<]*</f>)<v>[^<]*</v>`)
	var out bytes.Buffer
	z, taken := zip.NewWriter(&out), 0
	for _, part := range in.File {
		r, err := part.Open()
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		taken += len(value.FindAll(body, -1))
		w, err := z.Create(part.Name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(value.ReplaceAll(body, []byte("$1"))); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil || taken == 0 {
		t.Fatal("no formula", err)
	}
	return out.Bytes()
}

// recalculated opens a file in LibreOffice and gives what it saves.
func recalculated(t *testing.T, data []byte) []byte {
	t.Helper()
	office, err := exec.LookPath("soffice")
	if err != nil {
		t.Fatal("LibreOffice Calc is needed for this test: apt-get install libreoffice-calc-nogui or libreoffice-calc")
	}
	dir := t.TempDir()
	in, out := filepath.Join(dir, "in.xlsx"), filepath.Join(dir, "out")
	if err := os.WriteFile(in, data, 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(office, "-env:UserInstallation=file://"+filepath.Join(dir, "profile"), "--headless", "--convert-to", "xlsx", "--outdir", out, in)
	cmd.Env = append(os.Environ(), "HOME="+dir)
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	saved, err := os.ReadFile(filepath.Join(out, "in.xlsx"))
	if err != nil {
		t.Fatal(err)
	}
	return saved
}

// estimatesIn are the numbers beside a label, in order.
func estimatesIn(t *testing.T, data []byte, label string) (all []float64) {
	t.Helper()
	rows, err := workbook.Read(data, workbook.ResultSheet)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows {
		if strings.HasPrefix(row[0], label) && row[1] != "none" && row[1] != "" {
			v, err := strconv.ParseFloat(row[1], 64)
			if err != nil {
				t.Errorf("%s: %q", row[0], row[1])
			}
			all = append(all, v)
		}
	}
	return all
}

// everyEstimator answers each shipped equation for a person in the middle of its inputs.
func everyEstimator(t *testing.T) (all []workbook.Result) {
	t.Helper()
	middle := map[string]float64{"age": 50, "mass": 70, "height": 170, "work": 100, "heart-rate": 130, "grade": 5, "time": 12, "distance": 450, "rest-heart-rate": 65, "max-heart-rate": 170, "bmi": 25}
	for _, id := range estimators.IDs() {
		e, err := estimators.ByID(id)
		if err != nil {
			t.Fatal(err)
		}
		for _, second := range []bool{false, true} {
			values := make([]float64, len(e.Inputs))
			for i := range e.Inputs {
				in := &e.Inputs[i]
				switch {
				case len(in.Codes) > 0 && second:
					values[i] = in.Codes[len(in.Codes)-1].Value
				case len(in.Codes) > 0:
					values[i] = in.Codes[0].Value
				case in.Domain != nil:
					values[i] = (in.Domain.From + in.Domain.To) / 2
				case middle[in.Role] > 0:
					values[i] = middle[in.Role]
				case in.Plausible != nil:
					values[i] = math.Round(in.Plausible.From + (in.Plausible.To-in.Plausible.From)/3)
				}
				if second && len(in.Codes) == 0 {
					values[i] *= 0.97
				}
			}
			r, err := e.Estimate(values, estimate.Context{})
			if err != nil || !r.Value.Present() {
				continue
			}
			all = append(all, workbook.Result{About: [][2]string{{"Test", id}}, Estimator: e, Estimate: &r, Verdict: estimate.Usable})
		}
	}
	if len(all) < 60 {
		t.Fatalf("only %d answers", len(all))
	}
	return all
}

// TestSpreadsheetComputesTheSame lets LibreOffice compute every formula of every equation, of the demo tests, and of a test whose
// cells were changed, and compares with what the program says.
func TestSpreadsheetComputesTheSame(t *testing.T) {
	tests := demo(t)
	book, _, err := Workbook(casesOf(tests), Choice{Identified: true})
	if err != nil {
		t.Fatal(err)
	}
	own := len(book.Results)
	book.Results = append(book.Results, everyEstimator(t)...)
	book.Results = append(book.Results, extended())
	data := bytesOf(t, book)
	if !bytes.Equal(data, bytesOf(t, book)) {
		t.Error("not the same bytes twice")
	}
	saved := recalculated(t, uncounted(t, data))
	var values, lows, highs, live []float64
	for i := range book.Results {
		if r := book.Results[i].Estimate; r != nil && r.Value.Present() {
			values = append(values, float64(r.Value))
			if r.NoError == "" && r.SEE.Present() {
				lows, highs = append(lows, float64(r.Low95)), append(highs, float64(r.High95))
			}
		}
	}
	live = estimatesIn(t, saved, "Estimated ")
	same(t, "estimate", values, live)
	same(t, "lower end", lows, estimatesIn(t, saved, "95 % range, lower end"))
	same(t, "upper end", highs, estimatesIn(t, saved, "95 % range, upper end"))
	if own < 5 {
		t.Error(own)
	}
	t.Logf("%d estimates, %d ranges", len(values), len(lows))

	// a heart rate and a mass that somebody types into the file
	f, err := excelize.OpenReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := f.GetRows(workbook.ResultSheet)
	if err != nil {
		t.Fatal(err)
	}
	changed := map[string]float64{"heart rate": 118, "body mass": 71.25, "mass": 71.25}
	done := 0
	for i, row := range rows[:25] {
		for label, v := range changed {
			if len(row) > 1 && strings.Contains(strings.ToLower(row[0]), label) && !strings.Contains(row[0], "Estimated") {
				done++
				if err := f.SetCellValue(workbook.ResultSheet, "B"+strconv.Itoa(i+1), v); err != nil {
					t.Fatal(err)
				}
				break
			}
		}
		if len(row) > 0 && strings.HasPrefix(row[0], "Estimated V") {
			break
		}
	}
	var b bytes.Buffer
	if err := f.Write(&b); err != nil || done < 2 {
		t.Fatal(done, err)
	}
	first := book.Results[0]
	values2 := make([]float64, len(first.Estimate.Inputs))
	for i, in := range first.Estimate.Inputs {
		values2[i] = in.Value
		for label, v := range changed {
			if strings.Contains(strings.ToLower(in.Label), label) {
				values2[i] = v
			}
		}
	}
	want, err := first.Estimator.Estimate(values2, estimate.Context{})
	if err != nil || want.Value == first.Estimate.Value {
		t.Fatal(want, err)
	}
	got := estimatesIn(t, recalculated(t, uncounted(t, b.Bytes())), "Estimated V")
	same(t, "after a change", []float64{float64(want.Value)}, got[:1])
}

func same(t *testing.T, what string, want, have []float64) {
	t.Helper()
	if len(want) != len(have) || len(want) == 0 {
		t.Fatalf("%s: %d numbers, want %d", what, len(have), len(want))
	}
	for i := range want {
		if math.Abs(want[i]-have[i]) > 1e-9*math.Max(1, math.Abs(want[i])) {
			t.Errorf("%s %d: the spreadsheet says %v, the program %v", what, i+1, have[i], want[i])
		}
	}
}

// extended is an estimate from a line over three stages.
func extended() workbook.Result {
	x := &estimate.Extrapolation{Points: []estimate.Point{{X: 9.1, HR: 92, Used: true}, {X: 14.2, HR: 108, Used: false}, {X: 15.3, HR: 113, Used: true}, {X: 20.9, HR: 131, Used: true}}, MaxHR: 170, SD: 2.5}
	v := estimate.Answer(x.Points, x.MaxHR)
	return workbook.Result{About: [][2]string{{"Test", "line"}}, Verdict: estimate.Usable, Estimate: &estimate.Result{What: "VO2max", Unit: "mL/kg/min", Value: estimate.Number(v), SEE: 2.5,
		Low95: estimate.Number(v - 4.9), High95: estimate.Number(v + 4.9), Extrapolation: x}, Estimator: &estimate.Estimator{ID: "line"}}
}

// TestWorkbookComesBack reads the data sheet of a workbook as a data sheet and scores it: every number is the same.
func TestWorkbookComesBack(t *testing.T) {
	for name, tests := range map[string][]*sheet.Scored{"demo": demo(t), "odd": oddTests(t)} {
		book, _, err := Workbook(casesOf(tests), Choice{Identified: true})
		if err != nil {
			t.Fatal(err)
		}
		rows, err := workbook.Read(bytesOf(t, book), "")
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		w := csv.NewWriter(&b)
		if err := w.WriteAll(rows); err != nil {
			t.Fatal(err)
		}
		back := sheet.Score([]*sheet.Sheet{sheet.Read("back.csv", &b)}, today, plans)
		if back.Failed() {
			t.Fatal(name, back.Faults, back.Tests[0].Faults)
		}
		want, have := asJSON(t, tests), asJSON(t, back.Tests)
		if !reflect.DeepEqual(want, have) {
			t.Errorf("%s: sent %v\ncame back %v", name, want, have)
		}
	}
}

// TestWorkbookTexts: a text that looks like a formula is a text, and stays one in LibreOffice.
func TestWorkbookTexts(t *testing.T) {
	book, _, err := Workbook(casesOf(oddTests(t)), Choice{Identified: true})
	if err != nil {
		t.Fatal(err)
	}
	data := bytesOf(t, book)
	f, err := excelize.OpenReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	rows, err := f.GetRows(workbook.DataSheet)
	if err != nil {
		t.Fatal(err)
	}
	for i, row := range rows {
		for k, cell := range row {
			at, _ := excelize.CoordinatesToCellName(k+1, i+1)
			if formula, _ := f.GetCellFormula(workbook.DataSheet, at); formula != "" {
				t.Errorf("%s is a formula: %s", at, formula)
			}
			if cell == "=bisoprolol" || cell == "@home" || cell == "+1 W felt easy" {
				found++
			}
		}
	}
	if found != 3 {
		t.Errorf("%d of 3 texts", found)
	}
	book, _, err = Workbook(casesOf(oddTests(t)), Choice{Codes: codesOf(casesOf(oddTests(t)))})
	if err != nil {
		t.Fatal(err)
	}
	for i := range book.Results {
		if book.Results[i].Estimate != nil {
			t.Error("an estimate tells an age over 89")
		}
	}
}
