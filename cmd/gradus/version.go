package main

import (
	"fmt"
	"runtime/debug"
)

type versionCmd struct{}

// Run prints the version from the build, and what this program is not.
func (c *versionCmd) Run(e *env) error {
	fmt.Fprintf(e.out, "gradus %s\nNot certified as a medical device. Where your law makes this use one, do not use it with patients.\n", programVersion())
	return nil
}

func programVersion() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		return info.Main.Version
	}
	return "unknown"
}
