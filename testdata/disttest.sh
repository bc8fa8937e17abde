#!/bin/sh
# Unpacks the archive of make dist elsewhere, as the README says, and runs the main job
# from it.
set -eu
archive=$(realpath "$1")
cd "$(dirname "$0")/.."
(cd "$(dirname "$archive")" && sha256sum --check "$(basename "$archive").sha256")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
tar -C "$work" --strip-components=1 -xf "$archive"
if ldd "$work/usr/sbin/lendkeep-hook" >"$work/needs" 2>&1; then
	cat "$work/needs"
	echo "the hook depends on libraries" >&2
	exit 1
fi
sh testdata/demo.sh "$work/usr/bin/lendkeep" >"$work/demo" || { cat "$work/demo"; exit 1; }
grep -A 1 '^no difference' "$work/demo"
