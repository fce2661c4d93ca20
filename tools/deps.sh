#!/usr/bin/env bash
# Sees to what build and tests need beside Go itself: a C compiler (the race detector links with one), Node with
# npm (fetches the packages of the pages, checks their types, runs WebAssembly), Chromium (opens the pages), poppler
# (opens the PDF papers), LibreOffice Calc (computes the formulas of our workbooks) and PostgreSQL's server.
# `deps.sh build` sees to what the program alone needs. Installs what is missing with apt as root or through sudo; otherwise prints the line
# to run and stops. Nothing is left out because something is missing.
set -euo pipefail

if ! command -v go >/dev/null; then
	echo "make: Go 1.26 or newer is needed and is not on the PATH; get it from https://go.dev/dl/" >&2
	exit 1
fi

missing=()
# A compiler without the C library's headers cannot link the race detector, so the two go together.
if [ "${1:-all}" = all ] && ! echo '#include <stdlib.h>' | "${CC:-gcc}" -E - >/dev/null 2>&1; then
	missing+=(gcc libc6-dev)
fi
command -v node >/dev/null || missing+=(nodejs)
command -v npm >/dev/null || missing+=(npm)
command -v git >/dev/null || missing+=(git)
[ "${1:-all}" != all ] || command -v chromium >/dev/null || missing+=(chromium)
[ "${1:-all}" != all ] || command -v soffice >/dev/null || missing+=(libreoffice-calc)
[ "${1:-all}" != all ] || command -v initdb >/dev/null || compgen -G '/usr/lib/postgresql/*/bin/initdb' >/dev/null || missing+=(postgresql)
[ "${1:-all}" != all ] || command -v pdftotext >/dev/null || missing+=(poppler-utils)
if [ ${#missing[@]} -eq 0 ]; then
	exit 0
fi

install="apt-get install -y --no-install-recommends ${missing[*]}"
stop() {
	echo "make: missing: ${missing[*]}. $1 On Debian, run this as root, then try again:" >&2
	echo "  apt-get update && $install" >&2
	exit 1
}

command -v apt-get >/dev/null || stop "There is no apt here: install the like with your own package manager."
export DEBIAN_FRONTEND=noninteractive
if [ "$(id -u)" -eq 0 ]; then
	apt-get update -q && $install || stop "The installation ended with an error."
elif command -v sudo >/dev/null; then
	sudo apt-get update -q && sudo DEBIAN_FRONTEND=noninteractive $install || stop "sudo could not install them."
else
	stop "You are not root and there is no sudo."
fi
