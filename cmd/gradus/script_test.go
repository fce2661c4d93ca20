package main

import (
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets scripts call the program by its name: the test binary runs as it.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"gradus": main})
}

// TestScripts runs the scripts of testdata. UPDATE=1 rewrites what they expect.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata", UpdateScripts: os.Getenv("UPDATE") != ""})
}
