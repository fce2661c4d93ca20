package house

import (
	"bytes"
	"fmt"
	"path"
	"regexp"
	"slices"
	"strings"
)

// maxFileBytes is the largest file that may be checked in.
const maxFileBytes = 1 << 20

// leftovers are names of files that an editor, a build or a profiler leaves behind.
var leftovers = []string{"*~", "*.orig", "*.rej", "*.swp", "*.swo", "*.tmp", "*.bak", "*.test", "*.prof", "*.pprof",
	"*.out", "*.log", "core", ".DS_Store", "Thumbs.db"}

// The marks are put together here, so that this file holds none of them.
var (
	unfinished = regexp.MustCompile(`\b(TO` + `DO|FIX` + `ME|XX` + `X|HA` + `CK|WI` + `P)\b|(?i:\bnot (built|implemented|written) y` + `et\b|\bunimpl` + `emented\b)`)
	ownMachine = regexp.MustCompile(`(^|[^\w.:/-])(/(home|root|work|Users)/[\w.]|[A-Za-z]:\\Users\\)`)
)

// fileFaults checks one file that is checked in.
func fileFaults(name string, content []byte) []string {
	var faults []string
	if len(content) > maxFileBytes {
		faults = append(faults, fmt.Sprintf("%s: %d bytes, more than %d; make it at build time or cut it down", name, len(content), maxFileBytes))
	}
	isLeftover := func(pattern string) bool { ok, _ := path.Match(pattern, path.Base(name)); return ok }
	if slices.ContainsFunc(leftovers, isLeftover) {
		faults = append(faults, name+": left behind by a tool; remove it")
	}
	if binaryProgram(content) {
		return append(faults, name+": a compiled program; remove it")
	}
	if bytes.IndexByte(content[:min(len(content), 8000)], 0) >= 0 {
		return faults
	}
	line := 0
	for text := range strings.Lines(string(content)) {
		line++
		if mark := unfinished.FindString(text); mark != "" {
			faults = append(faults, fmt.Sprintf("%s:%d: %q marks unfinished work; finish it or say what the limit is", name, line, mark))
		}
		if mark := ownMachine.FindString(text); mark != "" {
			faults = append(faults, fmt.Sprintf("%s:%d: %q is a folder of one machine", name, line, mark))
		}
	}
	return faults
}

func binaryProgram(content []byte) bool {
	for _, magic := range []string{"\x7fELF", "MZ\x90\x00", "\xcf\xfa\xed\xfe", "\x00asm"} {
		if bytes.HasPrefix(content, []byte(magic)) {
			return true
		}
	}
	return false
}
