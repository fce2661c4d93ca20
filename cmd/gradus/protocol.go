package main

import "errors"

type protocolCmd struct{}

// Run is not built yet.
func (c *protocolCmd) Run(e *env) error { return errors.New("protocol: not built yet") }
