package report_test

import (
	"bytes"
	"runtime"
	"sync"
	"testing"

	"gradus/internal/report"
)

// BenchmarkReport makes the note of one test as PDF, from its events: replay, interpretation, plan and setting.
func BenchmarkReport(b *testing.B) {
	all := cases(b, "../../demo/day-1.csv")
	for b.Loop() {
		c := *all[1]
		if err := c.Write(&bytes.Buffer{}, report.KindNote, "pdf", "a4"); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkThousand makes the notes of 1,000 tests on all processors.
func BenchmarkThousand(b *testing.B) {
	all := cases(b, "../../demo/day-1.csv", "../../demo/day-2.csv")
	for b.Loop() {
		var group sync.WaitGroup
		work := make(chan int)
		for range runtime.GOMAXPROCS(0) {
			group.Go(func() {
				for i := range work {
					c := *all[i%len(all)]
					if err := c.Write(&bytes.Buffer{}, report.KindNote, "pdf", "a4"); err != nil {
						b.Error(err)
					}
				}
			})
		}
		for i := range 1000 {
			work <- i
		}
		close(work)
		group.Wait()
	}
}
