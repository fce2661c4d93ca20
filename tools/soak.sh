#!/usr/bin/env bash
# Long runs of what `make test` does briefly: each fuzz target for $SOAK, each property test with $RUNS draws.
# A crash leaves its input under testdata/fuzz of the package; check it in with the cure.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
: "${SOAK:=60s}" "${RUNS:=100000}"

targets=0
for package in $(go list ./...); do
	listed=$(go test -list '^Fuzz' "$package")
	for target in $(grep '^Fuzz' <<<"$listed" || true); do
		echo "== $package $target for $SOAK"
		go test -run '^$' -fuzz "^$target\$" -fuzztime "$SOAK" -fuzzminimizetime 1x "$package"
		targets=$((targets + 1))
	done
done

echo "== processor time of the fuzzing: second line, user and system"
times

properties=0
for package in $(go list -f '{{$p := .ImportPath}}{{range .TestImports}}{{if eq . "pgregory.net/rapid"}}{{$p}} {{end}}{{end}}{{range .XTestImports}}{{if eq . "pgregory.net/rapid"}}{{$p}} {{end}}{{end}}' ./... | tr ' ' '\n' | sort -u); do
	echo "== $package, properties with $RUNS draws"
	go test -count=1 -timeout 0 "$package" -rapid.checks "$RUNS"
	properties=$((properties + 1))
done

# After each kill the record is held against its audit trail.
echo "== the record: 1,000 kills of its program, plain and encrypted, and of its database server; 400 power cuts, plain and encrypted"
GRADUS_SOAK=1 go test -count=1 -timeout 0 -v -run 'TestKill|TestPowerCut' ./internal/record

echo "== the key of the record: 200 kills while it changes; 1 GB restored; 1 GB sorted; pages damaged at random"
GRADUS_SOAK=1 go test -count=1 -timeout 0 -run 'TestKilledWhileTheKeyChanges' ./internal/vault
GRADUS_SOAK=1 go test -count=1 -timeout 0 -v -run 'TestLargeRestore' ./internal/backup
GRADUS_SOAK=1 go test -count=1 -timeout 0 -run 'TestSalvage|TestTemporaryFiles' ./internal/record

echo "== the server: 1,000 kills"
GRADUS_SOAK=1 go test -count=1 -timeout 0 -run 'TestServerKilled' ./cmd/gradus

echo "== a site sends a backlog of 10,000 tests to a centre"
GRADUS_SOAK=1 go test -count=1 -timeout 0 -v -run 'TestBacklog' ./internal/centre

echo "fuzz targets: $targets, packages with properties: $properties"
if [ "$targets" -eq 0 ] || [ "$properties" -eq 0 ]; then
	echo "soak: found no fuzz target or no property test; that proves nothing" >&2
	exit 1
fi
