package house

import (
	"debug/buildinfo"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// programTable is the heading of the modules that end up in the program.
const programTable = "In the program"

// recorded is one row of a table in docs/dependencies.md.
type recorded struct{ version, licence, reason string }

// recordedModules reads the table under a heading of docs/dependencies.md: module, version, licence, reason.
func recordedModules(text, heading string) (map[string]recorded, error) {
	rows := make(map[string]recorded)
	inside := false
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if strings.HasPrefix(line, "#") {
			inside = strings.TrimLeft(line, "# ") == heading
			continue
		}
		cells := strings.Split(strings.Trim(line, "|"), "|")
		if !inside || !strings.HasPrefix(line, "| `") {
			continue
		}
		if len(cells) != 4 {
			return nil, fmt.Errorf("%q: a row has module, version, licence and reason", line)
		}
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		name := strings.Trim(cells[0], "`")
		if _, twice := rows[name]; twice {
			return nil, fmt.Errorf("%s is recorded twice under %q", name, heading)
		}
		rows[name] = recorded{cells[1], cells[2], cells[3]}
	}
	return rows, nil
}

// recordFaults compares the modules that are used (path to version) with those that are recorded.
func recordFaults(used map[string]string, record map[string]recorded, heading string) []string {
	var faults []string
	for _, name := range slices.Sorted(maps.Keys(used)) {
		row, ok := record[name]
		switch {
		case !ok:
			faults = append(faults, fmt.Sprintf("docs/dependencies.md: %s %s is not recorded under %q", name, used[name], heading))
		case row.version != used[name]:
			faults = append(faults, fmt.Sprintf("docs/dependencies.md: %s is recorded as %s but used as %s", name, row.version, used[name]))
		case row.reason == "":
			faults = append(faults, fmt.Sprintf("docs/dependencies.md: %s has no reason", name))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(record)) {
		if _, ok := used[name]; !ok {
			faults = append(faults, fmt.Sprintf("docs/dependencies.md: %s is recorded under %q but not used there", name, heading))
		}
	}
	return faults
}

// linkedModules builds the program as a release does and reads which modules ended up in it.
func linkedModules(dir, scratch string) (map[string]string, error) {
	program := filepath.Join(scratch, "gradus")
	if _, err := goTool(dir, "build", "-trimpath", "-o", program, "./cmd/gradus"); err != nil {
		return nil, err
	}
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return nil, err
	}
	used := make(map[string]string)
	for _, module := range info.Deps {
		used[module.Path] = module.Version
	}
	return used, nil
}

// requiredModules reads the requirements of the go.mod in dir.
func requiredModules(dir string) (map[string]string, error) {
	out, err := goTool(dir, "mod", "edit", "-json")
	if err != nil {
		return nil, err
	}
	var file struct {
		Require []struct{ Path, Version string }
	}
	if err := json.Unmarshal(out, &file); err != nil {
		return nil, err
	}
	used := make(map[string]string)
	for _, module := range file.Require {
		used[module.Path] = module.Version
	}
	return used, nil
}

// licencePhrases are words that stand in the text of each licence which the project accepts.
var licencePhrases = map[string][]string{
	"MIT-0":        {"MIT No Attribution", "THE SOFTWARE IS PROVIDED \"AS IS\""},
	"MIT":          {"Permission is hereby granted, free of charge", "THE SOFTWARE IS PROVIDED \"AS IS\""},
	"BSD-2-Clause": {"Redistributions of source code must retain"},
	"BSD-3-Clause": {"Redistributions of source code must retain", "Neither the name"},
	"Apache-2.0":   {"Apache License", "Version 2.0"},
	"MPL-2.0":      {"Mozilla Public License"},
}

// licenceFault compares a recorded licence with the text that the module carries. MPL-2.0 asks for the source of
// what is handed on, so it stays out of the program.
func licenceFault(dir, heading, module string, row recorded) (string, error) {
	phrases, ok := licencePhrases[row.licence]
	if !ok || heading == programTable && row.licence == "MPL-2.0" {
		return fmt.Sprintf("docs/dependencies.md: %s: licence %q is not among the accepted ones", module, row.licence), nil
	}
	out, err := goTool(dir, "mod", "download", "-json", module+"@"+row.version)
	if err != nil {
		return "", err
	}
	var at struct{ Dir string }
	if err := json.Unmarshal(out, &at); err != nil {
		return "", err
	}
	text, err := licenceText(at.Dir)
	if err != nil {
		return "", err
	}
	flat := strings.Join(strings.Fields(text), " ")
	for _, phrase := range phrases {
		if !strings.Contains(flat, phrase) {
			return fmt.Sprintf("docs/dependencies.md: %s is recorded as %s, but its licence lacks %q", module, row.licence, phrase), nil
		}
	}
	return "", nil
}

func licenceText(dir string) (string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return "", err
	}
	var all strings.Builder
	for _, entry := range entries {
		upper := strings.ToUpper(entry.Name())
		if entry.IsDir() || !(strings.HasPrefix(upper, "LICEN") || strings.HasPrefix(upper, "COPYING")) {
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, entry.Name()))
		if err != nil {
			return "", err
		}
		all.Write(text)
	}
	return all.String(), nil
}
