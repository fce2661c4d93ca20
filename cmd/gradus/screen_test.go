package main

import (
	"io"
	"strings"
	"testing"
)

func TestScreenUsage(t *testing.T) {
	for _, args := range [][]string{{"screen"}, {"screen", "a.json", "--template"}, {"screen", "--template", "--json"}, {"screen", "--nonsense"}} {
		var errw strings.Builder
		if code := run(args, strings.NewReader(""), io.Discard, &errw); code != exitUsage || errw.Len() == 0 {
			t.Errorf("%v: exit %d, said %q", args, code, errw.String())
		}
	}
}

func TestScreenRefusesWithOne(t *testing.T) {
	var out, errw strings.Builder
	if code := run([]string{"screen", "-"}, strings.NewReader(`{"age_years": 300}`), &out, &errw); code != exitRefused || out.Len() > 0 {
		t.Errorf("exit %d, printed %q", code, out.String())
	}
	if want := "-:1:15: age_years 300 years is above 120; check the entry\n"; errw.String() != want {
		t.Errorf("said %q, want %q", errw.String(), want)
	}
}
