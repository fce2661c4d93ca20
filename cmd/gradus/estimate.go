package main

import "errors"

type estimateCmd struct{}

// Run is not built yet.
func (c *estimateCmd) Run(e *env) error { return errors.New("estimate: not built yet") }
