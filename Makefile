# make demo    scores the demo data sheets, then opens a live test with an invented participant
# make sheets  scores the demo data sheets only
# make test    everything that must hold, in about a quarter of an hour
# make build   the program: bin/gradus
# make bench   the benchmarks, for reading
# make soak    long fuzzing and long property runs (SOAK=10m for each, RUNS=100000)
# make deps    what the tests need beside Go

SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := build
.NOTPARALLEL:
.PHONY: build assets types demo sheets deps lint wasm benchmarks test bench soak clean

# The packages that also run in the browser. internal/house holds the same list and compares.
CORE := $(wildcard exact gatt heartbeat physiology protocol conduct estimate)
SOAK ?= 60s
RUNS ?= 100000

build: assets
	CGO_ENABLED=0 go build -trimpath -ldflags='-s -w' -o bin/gradus ./cmd/gradus

# What the pages are served with: the bundle, the conductor for the browser, the font. Made by Go; Node's npm
# fetches the packages of package-lock.json.
assets:
	@tools/deps.sh build
	@echo "== the pages"
	go run ./internal/web/build

types: assets
	@echo "== types of the pages"
	npm run --silent check

demo: build
	tools/demo.sh

sheets: build
	tools/demo.sh sheets

deps:
	@tools/deps.sh

lint: .tools/staticcheck
	@echo "== gofmt"
	@unformatted=$$(gofmt -l .); if [ -n "$$unformatted" ]; then echo "not formatted, run gofmt -w on:"; echo "$$unformatted"; exit 1; fi
	@echo "== go vet"
	go vet ./...
	@echo "== staticcheck"
	.tools/staticcheck ./...

.tools/staticcheck: tools/go.mod tools/go.sum
	cd tools && CGO_ENABLED=0 go build -o ../.tools/staticcheck honnef.co/go/tools/cmd/staticcheck
	@touch $@

wasm:
	@echo "== the core for the browser: $(CORE)"
	@if [ -z "$(CORE)" ]; then echo "no core package found"; exit 1; fi
	GOOS=js GOARCH=wasm go build $(patsubst %,./%/...,$(CORE))

benchmarks:
	@echo "== benchmarks, once each"
	go test -run '^$$' -bench . -benchtime 1x ./...

# The tests come last, so that their closing lines are the last that is printed, before the figures that the
# browser tests measured: the taps of whole tests, how soon a page is back. Nothing is taken from the
# cache: some tests read the tree and build programs, which the cache does not see. The same-bits test compares
# the builds and needs no race detector in itself.
test: deps build types lint wasm benchmarks
	@echo "== every shipped test is proved, without the race detector"
	go test -count=1 -timeout 30m ./prove
	@echo "== all tests, with the race detector"
	@figures=$$(mktemp); trap 'rm -f "$$figures"' EXIT; failed=0; \
	echo go test -race -count=1 -timeout 30m ./...; \
	GRADUS_FIGURES=$$figures go test -race -count=1 -timeout 30m ./... || failed=$$?; \
	echo "== measured in the browser"; cat "$$figures"; exit $$failed

bench:
	go test -run '^$$' -bench . -benchmem ./...

soak: deps
	SOAK=$(SOAK) RUNS=$(RUNS) tools/soak.sh

clean:
	rm -rf bin .tools
