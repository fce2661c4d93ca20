package main

import (
	_ "embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"regexp"

	protocols "gradus/protocol/library"
)

//go:embed newprotocol.yaml
var newProtocol []byte

type protocolNewCmd struct {
	ID   string `arg:"" name:"id" placeholder:"ID" help:"Id of the new test: small letters, digits and hyphens."`
	From string `name:"from" placeholder:"ID" help:"Begin with a shipped test instead of the commented example."`
	Out  string `name:"out" placeholder:"FILE.yaml" help:"Write to this file; without it ID.yaml here."`
}

var (
	newID       = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)
	idLine      = regexp.MustCompile(`(?m)^id: .*$`)
	versionLine = regexp.MustCompile(`(?m)^version: .*$`)
)

// Run writes a commented protocol file to begin with.
func (c *protocolNewCmd) Run(e *env) error {
	if !newID.MatchString(c.ID) {
		return fmt.Errorf("%q is no id; use small letters, digits and hyphens, at most 40", c.ID)
	}
	if _, err := protocols.Text(c.ID); err == nil {
		return fmt.Errorf("a test that comes with the program has the id %s; choose another", c.ID)
	}
	text := newProtocol
	if c.From != "" {
		shipped, err := protocols.Text(c.From)
		if err != nil {
			return err
		}
		text = shipped
	}
	text = idLine.ReplaceAll(text, []byte("id: "+c.ID))
	text = versionLine.ReplaceAll(text, []byte(`version: "1"`))
	name := c.Out
	if name == "" {
		name = c.ID + ".yaml"
	}
	if _, err := os.Stat(name); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s is there already; give another name by --out", name)
	}
	err := put(e.out, name, func(out io.Writer) error {
		_, err := out.Write(text)
		return err
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(e.out, "%s is written. Change it, then: gradus protocol check %s\n", name, name)
	return err
}
