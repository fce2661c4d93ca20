package datatable_test

import (
	"fmt"
	"reflect"
	"testing"
	"testing/fstest"

	"gradus/datatable"
)

var files = fstest.MapFS{
	"tables/limits.csv": {Data: []byte("id,value,source\nfirst,2.5,invented\nsecond,,\"invented, too\"\n")},
	"tables/uneven.csv": {Data: []byte("id,value\nfirst\n")},
	"tables/empty.csv":  {Data: nil},
}

func ExampleRows() {
	for _, r := range datatable.Rows(files, "limits") {
		fmt.Println(r["id"], datatable.Number(r["value"]), r["source"])
	}
	// Output:
	// first 2.5 invented
	// second 0 invented, too
}

func TestRecords(t *testing.T) {
	want := [][]string{{"id", "value", "source"}, {"first", "2.5", "invented"}, {"second", "", "invented, too"}}
	if got := datatable.Records(files, "limits"); !reflect.DeepEqual(got, want) {
		t.Errorf("records %q", got)
	}
	if got := datatable.Records(files, "nothing"); got != nil {
		t.Errorf("a table that is not there: %q", got)
	}
}

func TestFaultsOfTheProgramPanic(t *testing.T) {
	for name, read := range map[string]func(){
		"uneven lines": func() { datatable.Records(files, "uneven") },
		"no table":     func() { datatable.Rows(files, "nothing") },
		"empty table":  func() { datatable.Rows(files, "empty") },
		"no number":    func() { datatable.Number("2,5") },
	} {
		t.Run(name, func(t *testing.T) {
			defer func() {
				if recover() == nil {
					t.Error("nothing was said")
				}
			}()
			read()
		})
	}
}
