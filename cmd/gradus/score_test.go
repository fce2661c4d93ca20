package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
)

// Exit codes: 0 also for a test that is not usable, 1 for bad input, 2 for a wrong command line.
func TestScoreExitCodes(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	head := "test,protocol,sex,age_years,mass_kg,rate_limiting_drug,stage,minute,work_w,hr_bpm\n"
	unusable := file("unusable.csv", head+"A,recumbent-stepper,male,60,88,metoprolol,1,2,30,70\nA,,,,,,1,3,30,84\n")
	bad := file("bad.csv", head+"B,recumbent-stepper,male,60,-88,no,1,2,30,70\n")
	for _, c := range []struct {
		args []string
		want int
	}{
		{[]string{unusable}, exitDone},
		{[]string{unusable, "--json"}, exitDone},
		{[]string{bad}, exitRefused},
		{[]string{unusable, bad, "--csv"}, exitRefused},
		{[]string{filepath.Join(dir, "nosuch.csv")}, exitRefused},
		{[]string{unusable, "--out", filepath.Join(dir, "nofolder", "a.json")}, exitRefused},
		{nil, exitUsage},
		{[]string{unusable, "--json", "--csv"}, exitUsage},
		{[]string{unusable, "--out", filepath.Join(dir, "a.pdf")}, exitUsage},
		{[]string{unusable, "--out", filepath.Join(dir, "a")}, exitUsage},
		{[]string{unusable, "--json", "--out", filepath.Join(dir, "a.csv")}, exitUsage},
		{[]string{unusable, "--today", "1.2.2026"}, exitUsage},
		{[]string{unusable, "--nosuch"}, exitUsage},
	} {
		var out, errs bytes.Buffer
		if got := run(append([]string{"score"}, c.args...), nil, &out, &errs); got != c.want {
			t.Errorf("score %v: exit %d, want %d; %s", c.args, got, c.want, errs.String())
		}
	}
}
