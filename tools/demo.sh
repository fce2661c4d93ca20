#!/usr/bin/env bash
# Scores the demo data sheets: every test in the text form that a clinician reads, then the first test of the
# first sheet as the program hands it to other programs.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

sheets=(demo/*.csv)
if [ ! -f "${sheets[0]}" ]; then
	echo "demo: no data sheet in demo/; is the checkout complete?" >&2
	exit 1
fi
echo "\$ bin/gradus score ${sheets[*]}"
bin/gradus score "${sheets[@]}"
