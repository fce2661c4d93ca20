package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
)

// The examples of a service and of a container start the program with flags that it has.
func TestExamplesStartTheProgram(t *testing.T) {
	read := func(name string) string {
		text, err := os.ReadFile(filepath.Join("..", "..", "examples", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	start := regexp.MustCompile(`(?m)^ExecStart=\S+/gradus (.*)$`).FindStringSubmatch(read("systemd/gradus.service"))
	cmd := regexp.MustCompile(`(?m)^CMD (\[.*\])$`).FindStringSubmatch(read("container/Containerfile"))
	if start == nil || cmd == nil {
		t.Fatal("an example does not say how to start")
	}
	var inside []string
	if err := json.Unmarshal([]byte(cmd[1]), &inside); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{strings.Fields(start[1]), inside} {
		var c commands
		parser, err := kong.New(&c, kong.Vars{"default_reference": "", "default_equation": ""})
		if err != nil {
			t.Fatal(err)
		}
		ctx, err := parser.Parse(args)
		if err != nil || ctx.Command() != "serve" {
			t.Errorf("%v: %v", args, err)
		}
	}
	if unit := read("systemd/gradus.service"); !strings.Contains(unit, "LoadCredentialEncrypted="+credential+":") {
		t.Errorf("the unit does not give the credential %s", credential)
	}
}

// Certificates are made, left alone when they are good, and bound to their names; the doctor finds the record missing.
func TestCertificateAndDoctor(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"certificate", "https://x", "--data", dir}, exitRefused, "without https://"},
		{[]string{"certificate", "gradus.ward.example", "--data", dir}, exitDone, "https://gradus.ward.example:7475/trust"},
		{[]string{"certificate", "--data", dir}, exitDone, "nothing was changed"},
		{[]string{"certificate", "other.example", "--data", dir}, exitRefused, "--new-authority"},
		{[]string{"certificate", "other.example", "--new-authority", "--data", dir}, exitDone, "other.example"},
		{[]string{"doctor", "--data", dir}, exitRefused, "no record"},
		{[]string{"doctor", "--json", "--data", dir}, exitRefused, `"what": "certificate"`},
		{[]string{"serve", "--plain", "--no-browser", "--data", dir, "--listen", "0.0.0.0:0"}, exitRefused, "nobody has to sign in"},
		{[]string{"serve", "--plain", "--no-browser", "--data", dir, "--tls-cert", "x"}, exitUsage, "go together"},
		{[]string{"serve", "--plain", "--no-browser", "--data", dir, "--behind", "http://x"}, exitUsage, "--behind"},
		{[]string{"serve", "--plain", "--no-browser", "--data", dir, "--behind", "https://x.example"}, exitRefused, "sign in"},
		{[]string{"serve", "--no-browser", "--data", filepath.Join(dir, "new"), "--behind", "https://x.example"}, exitRefused, "gradus keys make"},
		{[]string{"serve", "--plain", "--no-browser", "--data", dir, "--redirect-from", "127.0.0.1:0"}, exitUsage, "--redirect-from"},
	} {
		code, out, errw := command(t, c.args...)
		if code != c.code || !strings.Contains(strings.Join(strings.Fields(out+errw), " "), c.want) {
			t.Errorf("%v: exit code %d, %s%s", c.args, code, out, errw)
		}
	}
}
