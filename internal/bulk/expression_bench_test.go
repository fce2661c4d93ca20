package bulk

import (
	"bytes"
	"io"
	"os"
	"strings"
	"testing"

	"gradus/estimate/library"
)

// BenchmarkExpression writes the invented equation as a formula with a product and a quotient in place of terms, over the same million rows as
// BenchmarkLinear: at most 1.5 times as long.
func BenchmarkExpression(b *testing.B) {
	data, err := os.ReadFile("../../bench/score-million/invented.yaml")
	if err != nil {
		b.Fatal(err)
	}
	text := string(data)
	from, to := strings.Index(text, "terms:"), strings.Index(text, "error:")
	text = text[:from] + `formula:
  text: "55 - 0.25*age + 4.1*sex - 0.15*weight*hr/130 + 0.09*watts - 0.06*hr"
  how: choice
  numbers:
    - {value: 55, unit: mL/kg/min, how: choice}
    - {value: 0.25, unit: mL/kg/min per year, how: choice}
    - {value: 4.1, unit: mL/kg/min, how: choice}
    - {value: 0.15, unit: mL/kg/min per kg, how: choice}
    - {value: 130, unit: /min, how: choice}
    - {value: 0.09, unit: mL/kg/min per W, how: choice}
    - {value: 0.06, unit: mL/kg/min per beat/min, how: choice}
` + text[to:]
	e, err := library.Read("expression.yaml", []byte(text), nil)
	if err != nil {
		b.Fatal(err)
	}
	million(b, &Task{Estimator: e})
}

// BenchmarkLinear is the invented equation as it stands.
func BenchmarkLinear(b *testing.B) {
	e, _ := invented(b)
	million(b, &Task{Estimator: e})
}

func million(b *testing.B, task *Task) {
	const n = 1_000_000
	data := manyRows(n)
	for b.Loop() {
		count, err := task.Run("rows.csv", bytes.NewReader(data), io.Discard, io.Discard)
		if err != nil || count.Rows != n || count.Bad != 0 {
			b.Fatal(count, err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/row")
}
