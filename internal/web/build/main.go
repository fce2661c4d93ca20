// Command build makes what the pages are served with: it bundles internal/web/page, builds the conductor for the
// browser, presses everything small and writes it into internal/web/dist under names that carry a hash of the
// content. dist/manifest.json says which file is meant by a plain name such as run.js.
//
// Run it at the top of the module: go run ./internal/web/build. It fetches the packages of package-lock.json with
// npm when they are not there yet, and fails when the conductor is larger than a slow network should carry.
package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
)

// wasmMost is the largest conductor, in bytes as sent, that may be served (our own choice).
const wasmMost = 1_000_000

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "build:", err)
		os.Exit(1)
	}
}

func run() error {
	if _, err := os.Stat("go.mod"); err != nil {
		return fmt.Errorf("no go.mod here; run it at the top of the module: go run ./internal/web/build")
	}
	if err := fetchPackages(); err != nil {
		return err
	}
	s, err := openShelf(filepath.Join("internal", "web", "dist"))
	if err != nil {
		return err
	}
	if err := bundleAll(s); err != nil {
		return err
	}
	if err := s.close(); err != nil {
		return err
	}
	return s.report(os.Stdout)
}

// fetchPackages runs npm when node_modules does not hold what the lock file says.
func fetchPackages() error {
	want, err := lockedVersions("package-lock.json")
	if err != nil {
		return err
	}
	have, err := lockedVersions(filepath.Join("node_modules", ".package-lock.json"))
	if err == nil && covers(have, want) {
		return nil
	}
	npm := exec.Command("npm", "ci", "--no-audit", "--no-fund")
	npm.Stdout, npm.Stderr = os.Stderr, os.Stderr
	if err := npm.Run(); err != nil {
		return fmt.Errorf("npm ci: %w; the page needs Preact and a font from npm: install Node 20 or newer", err)
	}
	return nil
}

// needed are the packages whose files go into the bundle; the others only check types and pages.
var needed = []string{"node_modules/preact", "node_modules/@fontsource/atkinson-hyperlegible-next"}

func covers(have, want map[string]string) bool {
	return !slices.ContainsFunc(needed, func(name string) bool { return have[name] == "" || have[name] != want[name] })
}

// lockedVersions reads the versions in a lock file of npm.
func lockedVersions(name string) (map[string]string, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	var lock struct {
		Packages map[string]struct{ Version string }
	}
	if err := json.Unmarshal(text, &lock); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	versions := make(map[string]string)
	for name, p := range lock.Packages {
		versions[name] = p.Version
	}
	return versions, nil
}

// goroot is where the Go distribution lies whose compiler is used.
func goroot() (string, error) {
	out, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return "", fmt.Errorf("go env GOROOT: %w", err)
	}
	return strings.TrimSpace(string(out)), nil
}
