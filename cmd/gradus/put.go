package main

import (
	"io"

	"gradus/internal/rows"
)

// put writes to standard output, or to a file that appears whole or not at all when a name is given.
func put(out io.Writer, name string, write func(io.Writer) error) error {
	if name == "" {
		return write(out)
	}
	file, err := rows.Create(name)
	if err != nil {
		return err
	}
	if err := write(file); err != nil {
		file.Abort()
		return err
	}
	return file.Commit()
}
