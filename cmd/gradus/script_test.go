package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"gradus/internal/pgtest"
)

// TestMain lets scripts call the program by its name: the test binary runs as it.
func TestMain(m *testing.M) {
	testscript.Main(tests{m}, map[string]func(){"gradus": main})
}

// tests stops the database server after the last of them.
type tests struct{ m *testing.M }

func (t tests) Run() int { return pgtest.Main(t.m) }

// TestScripts runs the scripts of testdata. $DEMO is the folder of the demo sheets. UPDATE=1 rewrites the
// output that the scripts expect.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:           "testdata",
		UpdateScripts: os.Getenv("UPDATE") != "",
		Setup: func(e *testscript.Env) error {
			demo, err := filepath.Abs(filepath.Join("..", "..", "demo"))
			e.Setenv("DEMO", demo)
			return err
		},
	})
}
