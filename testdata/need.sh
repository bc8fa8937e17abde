#!/bin/sh
# Installs those of the named Debian packages that are missing. Says what it
# would need where it may not install, and goes on: a build or test that really
# needs the package then says so itself.
set -eu
missing=""
for package in "$@"; do
	dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing="$missing $package"
done
[ -n "$missing" ] || exit 0
if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null; then
	echo "missing packages (install them as root: apt-get install$missing)" >&2
	exit 0
fi
echo "installing:$missing"
apt-get update -qq
# shellcheck disable=SC2086 # the list is words
DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
