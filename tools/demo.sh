#!/usr/bin/env bash
# Scores the demo data sheets, every test in the text form that a clinician reads, and then, at a terminal, opens a
# live test with an invented participant, until Ctrl+C. `demo.sh sheets` stops after the sheets.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

sheets=(demo/*.csv)
if [ ! -f "${sheets[0]}" ]; then
	echo "demo: no data sheet in demo/; is the checkout complete?" >&2
	exit 1
fi
echo "\$ bin/gradus score ${sheets[*]}"
bin/gradus score "${sheets[@]}"
if [ "${1:-all}" = sheets ]; then
	exit 0
fi
echo
echo "\$ bin/gradus demo"
if [ ! -t 1 ]; then
	echo "(no terminal here, so the live test is not opened; the line above opens it)"
	exit 0
fi
exec bin/gradus demo
