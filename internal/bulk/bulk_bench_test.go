package bulk

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"testing"

	"gradus/estimate"
	"gradus/estimate/library"
)

// invented is an equation and a table of percentiles made up to measure speed; bench/score-million uses them too.
func invented(tb testing.TB) (*estimate.Estimator, *Reference) {
	tb.Helper()
	data, err := os.ReadFile("../../bench/score-million/invented.yaml")
	if err != nil {
		tb.Fatal(err)
	}
	e, err := library.Read("invented.yaml", data, nil)
	if err != nil {
		tb.Fatal(err)
	}
	var table bytes.Buffer
	table.WriteString("sex,age_low")
	for p := 5; p < 100; p += 5 {
		fmt.Fprintf(&table, ",p%d", p)
	}
	for sex := range 2 {
		for _, age := range []int{18, 30, 40, 50, 60, 70, 80} {
			fmt.Fprintf(&table, "\n%d,%d", sex, age)
			for p := 5; p < 100; p += 5 {
				fmt.Fprintf(&table, ",%.2f", 34+5*float64(sex)-0.25*float64(age-18)+0.2*float64(p-50))
			}
		}
	}
	ref, err := ReadReference("table.csv", &table, e)
	if err != nil {
		tb.Fatal(err)
	}
	return e, ref
}

// manyRows makes rows like those of bench/score-million.
func manyRows(n int) []byte {
	r := rand.New(rand.NewPCG(8, 8))
	var b bytes.Buffer
	b.WriteString("id,age,sex,weight,watts,hr\n")
	for i := range n {
		sex := r.IntN(2)
		fmt.Fprintf(&b, "%d,%d,%d,%.1f,%.0f,%.0f\n", i, 18+r.IntN(72), sex, 62+16*float64(sex)+11*r.NormFloat64(), 100+30*r.NormFloat64(), 128+11*r.NormFloat64())
	}
	return b.Bytes()
}

func BenchmarkRows(b *testing.B) {
	const n = 100_000
	e, ref := invented(b)
	data := manyRows(n)
	task := &Task{Estimator: e, Reference: ref}
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		count, err := task.Run("rows.csv", bytes.NewReader(data), io.Discard, io.Discard)
		if err != nil || count.Rows != n || count.Bad != 0 {
			b.Fatal(count, err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/row")
}
