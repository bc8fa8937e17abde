#!/bin/sh
# Prints every Go module that is compiled into the named programs, with its
# licence; one without a licence ends it.
set -eu
tell() {
	printf '%s\n%s\n' "$1" ================================================================
	texts=$(find "$2" -maxdepth 1 -type f \( -iname '*licen[cs]e*' -o -iname 'copying*' -o -iname 'notice*' \) | LC_ALL=C sort)
	[ -n "$texts" ] || { echo "$1 has no licence in $2" >&2; exit 1; }
	echo "$texts" | while read -r text; do
		cat "$text"
		echo
	done
}
tell "Go $(go env GOVERSION), its runtime and standard library" "$(go env GOROOT)"
go version -m "$@" | awk '$1 == "dep" { print $2 "@" $3 }' | LC_ALL=C sort -u | while read -r module; do
	folder=$(go mod download -json "$module" | sed -n 's/^\t"Dir": "\(.*\)",$/\1/p')
	tell "${module%@*} ${module#*@}" "$folder"
done
