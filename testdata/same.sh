#!/bin/sh
# Builds the package again from a copy of the repository in another folder, and
# compares the bytes. What is in no commit is not in the copy, so there must be
# nothing of that.
set -eu
built=$(realpath "$1")
cd "$(dirname "$0")/.."
if [ ! -d .git ]; then
	echo "Go notes the commit in a program only where .git is a folder: run this in a clone" >&2
	exit 1
fi
if [ -n "$(git status --porcelain)" ]; then
	echo "there are changes that are in no commit: commit or remove them first" >&2
	exit 1
fi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
git clone -q --no-hardlinks . "$work/another place"
# Nothing of the first build is used, nor what its surroundings were like.
(umask 077 && GOCACHE=$work/cache TZ=Asia/Kolkata LC_ALL=C.UTF-8 make -s -C "$work/another place" deb)
cmp "$built" "$work/another place/build/$(basename "$built")"
echo "the same bytes: $(sha256sum <"$built")"
