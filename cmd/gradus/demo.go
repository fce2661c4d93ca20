package main

import (
	"context"
	"fmt"
	"os"

	"gradus/internal/record"
	"gradus/internal/web"
)

type demoCmd struct {
	Listen    string `name:"listen" default:"127.0.0.1:7475" placeholder:"127.0.0.1:PORT" help:"Address of this machine to listen on; port 0 is any free one."`
	Speed     int    `name:"speed" default:"10" enum:"1,10,60" help:"How fast time runs: 1, 10 or 60."`
	NoBrowser bool   `name:"no-browser" help:"Do not open a browser."`
}

// Run serves the pages on a record that is thrown away at the end, with invented people whose hearts answer.
func (c *demoCmd) Run(e *env) (err error) {
	dir, err := os.MkdirTemp("", "gradus-demo-")
	if err != nil {
		return err
	}
	defer func() {
		if cerr := os.RemoveAll(dir); err == nil {
			err = cerr
		}
	}()
	s := session{listen: c.Listen, dir: dir, demo: true, speed: c.Speed, browser: !c.NoBrowser,
		ready: func(ctx context.Context, store record.Store) error { return web.Invent(ctx, store) },
		told:  fmt.Sprintf("Demonstration at %d times the speed: all people and data are invented, and nothing is kept. Stop with Ctrl+C.", c.Speed)}
	return s.run(e)
}
