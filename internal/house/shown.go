package house

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
)

// shownRun is one command of the program that a document shows, with what it prints.
type shownRun struct {
	line    int
	command string
	prints  []string
}

// shownFile is a file that a document shows for the commands after it.
type shownFile struct {
	name, text string
}

// leftOut stands in a document for any number of lines.
const leftOut = "…"

// shown reads from a document the fenced blocks of kind console whose first line runs gradus, and the blocks
// that carry a file name after their kind, such as "csv sheet.csv".
func shown(text string) (runs []shownRun, files []shownFile, err error) {
	lines := strings.Split(text, "\n")
	for i := 0; i < len(lines); i++ {
		info, fence := strings.CutPrefix(lines[i], "```")
		if !fence {
			continue
		}
		from := i + 1
		for i++; i < len(lines) && lines[i] != "```"; i++ {
		}
		if i == len(lines) {
			return nil, nil, fmt.Errorf("line %d: the block never ends", from)
		}
		block := lines[from:i]
		kind, name, named := strings.Cut(info, " ")
		switch {
		case named:
			files = append(files, shownFile{name, strings.Join(block, "\n") + "\n"})
		case kind == "console" && len(block) > 0 && runsProgram(block[0]):
			runs = append(runs, runsOf(block, from)...)
		}
	}
	return runs, files, nil
}

func runsProgram(line string) bool {
	return strings.HasPrefix(line, "$ bin/gradus ") || strings.HasPrefix(line, "$ gradus ")
}

func runsOf(block []string, from int) (runs []shownRun) {
	for i, line := range block {
		if command, ok := strings.CutPrefix(line, "$ "); ok {
			runs = append(runs, shownRun{line: from + i + 1, command: command})
			continue
		}
		last := &runs[len(runs)-1]
		last.prints = append(last.prints, line)
	}
	return runs
}

// printed runs a command of a document in a folder and returns its lines, those on stderr among them.
func (run shownRun) printed(program, dir string) ([]string, error) {
	if strings.ContainsAny(run.command, "|<>\"'`$*") {
		return nil, fmt.Errorf("line %d: %s: show a command without quotes, pipes and wildcards", run.line, run.command)
	}
	cmd := exec.Command(program, strings.Fields(run.command)[1:]...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil && cmd.ProcessState == nil {
		return nil, fmt.Errorf("line %d: %w", run.line, err)
	}
	lines := strings.Split(strings.TrimRight(string(out), "\n"), "\n")
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " ")
	}
	return lines, nil
}

// withPrinted puts what a command prints now into a document.
func withPrinted(text string, run shownRun, now []string) string {
	lines := strings.Split(text, "\n")
	return strings.Join(slices.Replace(lines, run.line, run.line+len(run.prints), stretches(run.prints, now)...), "\n")
}

// stretches renews what a document shows between the lines that it leaves out: each stretch from its first to
// its last line, as they stand in what is printed now. Where one is not found the document stays as it is.
func stretches(shown, now []string) (renewed []string) {
	if !slices.Contains(shown, leftOut) {
		return now
	}
	rest := now
	for i := 0; i < len(shown); {
		if shown[i] == leftOut {
			renewed = append(renewed, leftOut)
			i++
			continue
		}
		end := i
		for end < len(shown) && shown[end] != leftOut {
			end++
		}
		from := slices.Index(rest, shown[i])
		if from < 0 {
			return shown
		}
		length := slices.Index(rest[from:], shown[end-1]) + 1
		if length == 0 {
			return shown
		}
		renewed = append(renewed, rest[from:from+length]...)
		rest, i = rest[from+length:], end
	}
	return renewed
}

// alike compares lines; a line that is left out stands for one or more.
func alike(shown, printed []string) bool {
	switch {
	case len(shown) == 0:
		return len(printed) == 0
	case shown[0] == leftOut:
		for n := 1; n <= len(printed); n++ {
			if alike(shown[1:], printed[n:]) {
				return true
			}
		}
		return false
	}
	return len(printed) > 0 && shown[0] == printed[0] && alike(shown[1:], printed[1:])
}

// shownFolder prepares a folder in which the commands of a document run: the demo sheets and its own files.
func shownFolder(root, scratch string, files []shownFile) error {
	if err := os.Symlink(filepath.Join(root, "demo"), filepath.Join(scratch, "demo")); err != nil {
		return err
	}
	for _, f := range files {
		if filepath.Base(f.name) != f.name {
			return fmt.Errorf("%s: show files without a folder", f.name)
		}
		if err := os.WriteFile(filepath.Join(scratch, f.name), []byte(f.text), 0o600); err != nil {
			return err
		}
	}
	return nil
}
