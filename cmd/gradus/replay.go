package main

import "errors"

type replayCmd struct{}

// Run is not built yet.
func (c *replayCmd) Run(e *env) error { return errors.New("replay: not built yet") }
