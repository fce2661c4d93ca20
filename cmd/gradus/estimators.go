package main

import "errors"

type estimatorsCmd struct{}

// Run is not built yet.
func (c *estimatorsCmd) Run(e *env) error { return errors.New("estimators: not built yet") }
