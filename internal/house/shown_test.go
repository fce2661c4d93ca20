package house

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var rewrite = flag.Bool("rewrite", false, "put into the documents what the program prints and what the data files hold; review the difference")

// What the documents show is what the program prints today.
func TestDocumentsShowWhatTheProgramPrints(t *testing.T) {
	dir, _ := tree(t)
	program := filepath.Join(t.TempDir(), "gradus")
	if _, err := goTool(dir, "build", "-trimpath", "-o", program, "./cmd/gradus"); err != nil {
		t.Fatal(err)
	}
	names, err := filepath.Glob(filepath.Join(dir, "docs", "*.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range append(names, filepath.Join(dir, "README.md")) {
		t.Run(filepath.Base(name), func(t *testing.T) {
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			runs, files, err := shown(string(text))
			if err != nil {
				t.Fatal(err)
			}
			if filepath.Base(name) == "README.md" && len(runs) < 5 {
				t.Errorf("README.md shows %d commands; the tour needs more", len(runs))
			}
			scratch := t.TempDir()
			if err := shownFolder(dir, scratch, files); err != nil {
				t.Fatal(err)
			}
			now := string(text)
			for i := len(runs) - 1; i >= 0; i-- { // from the end, so that lines before keep their number
				if testing.Short() && strings.Contains(runs[i].command, "protocol check") {
					continue // it takes seconds; the full run compares it
				}
				lines, err := runs[i].printed(program, scratch)
				switch {
				case err != nil:
					t.Error(err)
				case alike(runs[i].prints, lines):
				case *rewrite:
					now = withPrinted(now, runs[i], lines)
				default:
					t.Errorf("line %d: %s prints now (go test ./internal/house -rewrite puts it in):\n%s", runs[i].line, runs[i].command, strings.Join(lines, "\n"))
				}
			}
			keep(t, name, string(text), now)
		})
	}
}

// keep writes a document that was to be rewritten.
func keep(t *testing.T, name, before, now string) {
	t.Helper()
	if !*rewrite || before == now {
		return
	}
	if err := os.WriteFile(name, []byte(now), 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestShownBlocksAreFound(t *testing.T) {
	runs, files, err := shown(strings.Join([]string{
		"text", "```csv sheet.csv", "test,hr", "1,96", "```", "```console", "$ bin/gradus version", "a", "…", "b", "$ gradus estimators", "```",
		"```console", "$ make demo", "```", "```", "$ gradus version", "```"}, "\n"))
	if err != nil {
		t.Fatal(err)
	}
	if len(files) != 1 || files[0].name != "sheet.csv" || files[0].text != "test,hr\n1,96\n" {
		t.Errorf("files: %q", files)
	}
	if len(runs) != 2 || runs[0].command != "bin/gradus version" || strings.Join(runs[0].prints, " ") != "a … b" || runs[0].line != 7 ||
		runs[1].command != "gradus estimators" || len(runs[1].prints) != 0 {
		t.Errorf("runs: %+v", runs)
	}
	if _, _, err := shown("```console\n$ gradus version"); err == nil {
		t.Error("a block without an end was taken")
	}
}

func TestShownOutputIsCompared(t *testing.T) {
	for _, c := range []struct {
		shown, printed string
		alike          bool
	}{
		{"a b c", "a b c", true},
		{"a b c", "a b", false},
		{"a b", "a b c", false},
		{"a x c", "a b c", false},
		{"a … d", "a b c d", true},
		{"a …", "a b c d", true},
		{"a … d", "a d", false},
		{"… x", "a b c", false},
	} {
		if got := alike(strings.Fields(c.shown), strings.Fields(c.printed)); got != c.alike {
			t.Errorf("%q against %q: alike %v", c.shown, c.printed, got)
		}
	}
}

func TestShownStretchesAreRenewed(t *testing.T) {
	for _, c := range []struct{ shown, printed, renewed string }{
		{"a b", "x y", "x y"},
		{"… b old d …", "a b new newer d e", "… b new newer d …"},
		{"a … d", "a b c d", "a … d"},
		{"… gone …", "a b", "… gone …"},
		{"… b gone …", "a b c", "… b gone …"},
	} {
		if got := strings.Join(stretches(strings.Fields(c.shown), strings.Fields(c.printed)), " "); got != c.renewed {
			t.Errorf("%q with %q: %q, want %q", c.shown, c.printed, got, c.renewed)
		}
	}
}

// A wrong document is found by running the program, not by luck.
func TestWrongDocumentIsFound(t *testing.T) {
	dir, _ := tree(t)
	program := filepath.Join(t.TempDir(), "gradus")
	if _, err := goTool(dir, "build", "-trimpath", "-o", program, "./cmd/gradus"); err != nil {
		t.Fatal(err)
	}
	run := shownRun{line: 2, command: "gradus estimators recumbent-stepper-2012", prints: []string{"recumbent-stepper-2013", "x"}}
	lines, err := run.printed(program, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	if alike(run.prints, lines) || !alike([]string{"recumbent-stepper-2012", leftOut}, lines) {
		t.Errorf("printed: %q", lines)
	}
	if got := withPrinted("```console\n$ gradus estimators recumbent-stepper-2012\nold\nx\n```", run, []string{"new"}); got != "```console\n$ gradus estimators recumbent-stepper-2012\nnew\n```" {
		t.Errorf("rewritten: %q", got)
	}
	run.command = "gradus estimators | head"
	if _, err := run.printed(program, t.TempDir()); err == nil {
		t.Error("a pipe was taken")
	}
}
