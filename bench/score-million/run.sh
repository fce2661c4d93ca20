#!/bin/sh
# Compare the speed of "gradus estimate --in" with data.table and pandas: run.sh GRADUS [ROUNDS]
# Needs R with data.table, and /usr/bin/python3 with numpy and pandas
# (Debian: r-base-core r-cran-data.table python3-numpy python3-pandas).
set -eu
here=$(cd "$(dirname "$0")" && pwd)
folder=$(mktemp -d "${TMPDIR:-/tmp}/score-million.XXXXXX")
trap 'rm -rf "$folder"' EXIT INT TERM
/usr/bin/python3 "$here/make-data.py" "$folder"
/usr/bin/python3 "$here/compare.py" "$1" "$folder" "${2:-7}"
