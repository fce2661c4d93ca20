// Package datatable reads the published numbers that other packages carry with them: CSV tables in the folder
// "tables" of an embedded file system, the first line naming the columns.
//
// The tables are part of the program and tested beside their sources. So one that cannot be read is a fault of the
// program, and reading it panics with the table's name.
package datatable

import (
	"encoding/csv"
	"fmt"
	"io/fs"
	"strconv"
)

// Records returns a table with its line of names first, or nil when there is none of that name.
func Records(files fs.FS, name string) [][]string {
	file, err := files.Open("tables/" + name + ".csv")
	if err != nil {
		return nil
	}
	defer file.Close()
	all, err := csv.NewReader(file).ReadAll()
	if err != nil {
		panic("datatable: " + name + ".csv: " + err.Error())
	}
	return all
}

// Rows returns the lines of a table as maps from column to cell. It panics when there is no such table.
func Rows(files fs.FS, name string) []map[string]string {
	all := Records(files, name)
	if len(all) == 0 {
		panic("datatable: no table " + name + ".csv")
	}
	rows := make([]map[string]string, 0, len(all)-1)
	for _, r := range all[1:] {
		row := make(map[string]string, len(r))
		for i, cell := range r {
			row[all[0][i]] = cell
		}
		rows = append(rows, row)
	}
	return rows
}

// Number reads a cell; an empty one is 0. It panics when the cell holds something else.
func Number(cell string) float64 {
	if cell == "" {
		return 0
	}
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		panic(fmt.Sprintf("datatable: a cell holds %q, which is no number", cell))
	}
	return v
}
