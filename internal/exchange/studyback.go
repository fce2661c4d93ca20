package exchange

import (
	"crypto/rand"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"gradus/internal/exchange/table"
)

// Sheet writes the tests of a data package of ours as a data sheet, which can be scored. Of de-identified data the sheet has
// what they have: no dates, and no age where it is pooled.
func Sheet(out io.Writer, files map[string][]byte) error {
	lines, err := sheetLines(files)
	if err != nil {
		return err
	}
	return table.WriteCSV(out, lines)
}

// sheetLines are the lines of the data sheet, the first with the names of its columns.
func sheetLines(files map[string][]byte) ([][]string, error) {
	var doc struct {
		Resources []struct{ Name, Path string }
	}
	if err := json.Unmarshal(files[table.Descriptor], &doc); err != nil {
		return nil, fmt.Errorf("%s: %w", table.Descriptor, err)
	}
	rows := map[string][]table.Row{}
	for _, r := range doc.Resources {
		if r.Name != "tests" && r.Name != "readings" {
			continue
		}
		all, fault := table.ReadCSV(r.Path, files[r.Path])
		if fault != nil {
			return nil, fault
		}
		rows[r.Name] = all
	}
	if len(rows["tests"]) == 0 || len(rows["readings"]) == 0 {
		return nil, fmt.Errorf("%s: it has no tables tests and readings; only packages of this program become a data sheet", table.Descriptor)
	}
	tests, readings := rows["tests"], rows["readings"]
	person := sheetColumns("tests", tests[0].Cells)
	reading := sheetColumns("readings", readings[0].Cells)
	at := func(row table.Row, k int) string { return table.Unguard(row.Cells[k]) }
	head := []string{}
	for _, k := range person {
		head = append(head, tests[0].Cells[k])
	}
	for _, k := range reading {
		head = append(head, readings[0].Cells[k])
	}
	of := map[string]table.Row{}
	idAt := slices.Index(tests[0].Cells, "test")
	rowAt := slices.Index(readings[0].Cells, "test")
	if idAt < 0 || rowAt < 0 {
		return nil, fmt.Errorf("%s: a table has no column test", table.Descriptor)
	}
	for _, row := range tests[1:] {
		of[row.Cells[idAt]] = row
	}
	lines := [][]string{head}
	last := ""
	for _, row := range readings[1:] {
		id := row.Cells[rowAt]
		test, known := of[id]
		if !known {
			return nil, fmt.Errorf("readings.csv:%d: test %s is not in the table of tests", row.Line, id)
		}
		var cells []string
		for _, k := range person {
			cell := ""
			if k == idAt || id != last {
				cell = at(test, k)
			}
			if tests[0].Cells[k] == "age_years" && cell == "90+" {
				cell = ""
			}
			cells = append(cells, cell)
		}
		for _, k := range reading {
			cell := at(row, k)
			if readings[0].Cells[k] == "disturbed" && cell == "true" {
				cell = "yes"
			}
			cells = append(cells, cell)
		}
		lines, last = append(lines, cells), id
	}
	return lines, nil
}

// firstResult is the first column of what was found; those before it were entered.
const firstResult = "protocol_version"

// sheetColumns are the places of the columns that a data sheet has.
func sheetColumns(in string, heads []string) (places []int) {
	entered, results := map[string]bool{}, false
	for _, c := range Columns {
		results = c.Table == "tests" && (results || c.Name == firstResult)
		if c.Table == in {
			entered[c.Name] = !results && c.Deid != made && (in == "tests" || c.Name != "test" && c.Name != "row")
		}
	}
	for k, name := range heads {
		use, known := entered[name]
		if use || !known { // a column that nobody knows is carried on
			places = append(places, k)
		}
	}
	return places
}

// letters of study codes: none that is taken for another one.
const letters = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"

// NewCode draws a study code by chance. It says nothing about the person.
func NewCode(taken func(string) bool) (string, error) {
	for range 1000 {
		raw := make([]byte, 6)
		if _, err := rand.Read(raw); err != nil {
			return "", err
		}
		for i, b := range raw {
			raw[i] = letters[int(b)%len(letters)]
		}
		if code := "S-" + string(raw); !taken(code) {
			return code, nil
		}
	}
	return "", fmt.Errorf("no free study code was found")
}

// ReadCodes reads the list of study codes: participant and code. It is kept apart from the data.
func ReadCodes(name string, data []byte) (map[string]string, error) {
	rows, fault := table.ReadCSV(name, data)
	if fault != nil {
		return nil, fault
	}
	codes, owner := map[string]string{}, map[string]string{}
	for n, row := range rows {
		if n == 0 {
			if strings.Join(row.Cells, ",") != "participant,code" {
				return nil, fmt.Errorf("%s:1:1: the first line must be participant,code", name)
			}
			continue
		}
		if len(row.Cells) != 2 {
			return nil, fmt.Errorf("%s:%d:1: a line has a participant and a code", name, row.Line)
		}
		who, code := table.Unguard(row.Cells[0]), table.Unguard(row.Cells[1])
		switch {
		case who == "" || code == "":
			return nil, fmt.Errorf("%s:%d:1: a cell is empty", name, row.Line)
		case codes[who] != "":
			return nil, fmt.Errorf("%s:%d:1: participant %s stands twice", name, row.Line, who)
		case owner[code] != "":
			return nil, fmt.Errorf("%s:%d:2: code %s stands for two people", name, row.Line, code)
		case code == who || strings.HasPrefix(who, code) || strings.HasPrefix(code, who):
			return nil, fmt.Errorf("%s:%d:2: code %s is made from the participant's own; draw one by chance", name, row.Line, code)
		}
		codes[who], owner[code] = code, who
	}
	return codes, nil
}

// WriteCodes writes the list in the order of the participants.
func WriteCodes(out io.Writer, codes map[string]string) error {
	rows := [][]string{{"participant", "code"}}
	var names []string
	for who := range codes {
		names = append(names, who)
	}
	slices.Sort(names)
	for _, who := range names {
		rows = append(rows, []string{table.Guard(who), table.Guard(codes[who])})
	}
	return table.WriteCSV(out, rows)
}

// AddCodes draws a code for each participant who has none.
func AddCodes(codes map[string]string, cases []Case) (added int, err error) {
	taken := map[string]bool{}
	for _, code := range codes {
		taken[code] = true
	}
	for i := range cases {
		who := cases[i].Who()
		if who == "" || codes[who] != "" {
			continue
		}
		code, err := NewCode(func(c string) bool { return taken[c] })
		if err != nil {
			return added, err
		}
		codes[who], taken[code] = code, true
		added++
	}
	return added, nil
}
