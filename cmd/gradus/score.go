package main

import "errors"

type scoreCmd struct{}

// Run is not built yet.
func (c *scoreCmd) Run(e *env) error { return errors.New("score: not built yet") }
