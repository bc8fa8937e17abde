#!/bin/sh
# Runs lendkeep-measure for Windows under wine, on a folder of a temporary prefix: that
# it starts, measures, writes a result, refuses what is wrong, and leaves nothing. What
# it measures there says nothing: wine has no unbuffered files.
#
# usage: winetest.sh PROGRAM
set -eu
program=$(realpath "$1")
work=$(mktemp -d)
export WINEPREFIX="$work/prefix" WINEDEBUG=-all WINEDLLOVERRIDES="mscoree,mshtml=" PATH="$PATH:/usr/lib/wine"
trap 'wineserver -k || true; rm -rf "$work"' EXIT
fail() {
	echo "the test under wine failed: $1" >&2
	exit 1
}

# Go asks a library for random numbers that wine 8 does not have; the same function has
# another name in another one.
cd "$work"
cp "$program" measure.exe
printf 'LIBRARY bcryptprimitives.dll\nEXPORTS\n  ProcessPrng = advapi32.SystemFunction036\n' >bcryptprimitives.def
: >empty.s
x86_64-w64-mingw32-as -o empty.o empty.s
x86_64-w64-mingw32-ld -shared -e 0 -o bcryptprimitives.dll empty.o bcryptprimitives.def
wine64 wineboot --init >/dev/null 2>&1 || true
cp bcryptprimitives.dll prefix/drive_c/windows/system32/

mkdir folder
wine64 measure.exe --version | grep -q '^lendkeep-measure [0-9]' || fail "it does not tell its version"
wine64 measure.exe --folder folder --write --size 64MiB --runs 2 --lasts 100ms --label wine --json result.json 2>told || { cat told; fail "it does not measure"; }
cat told
grep -q 'at most 448.0 MiB' told || fail "it does not tell what it will write"
[ "$(grep -c 'run 2 of 2' told)" = 6 ] || fail "it did not make every run"
[ -z "$(ls -A folder)" ] || fail "it left a file"
tr -d '\r' <result.json | grep -q '"through": "completion port"' || fail "the result does not say how it was measured"

if wine64 measure.exe --folder folder --write --json result.json 2>told; then fail "it overwrote a file"; fi
if wine64 measure.exe --folder none --write 2>told; then fail "it measured a folder that is not there"; fi
grep -q 'next: ' told || fail "it does not say what to do"
if wine64 measure.exe --device folder 2>told; then fail "it measured a folder as a drive"; fi
grep -q 'is no drive' told || fail "it does not say what is wrong"

# Killed, it leaves nothing either.
wine64 measure.exe --folder folder --write --size 64MiB --lasts 1m 2>told &
pid=$!
until grep -q 'filling the file, 60 of 64' told; do sleep 0.2; done
kill -KILL "$pid"
wait "$pid" 2>/dev/null || true
for _ in 1 2 3 4 5 6 7 8 9 10; do
	[ -z "$(ls -A folder)" ] && break
	sleep 0.5
done
[ -z "$(ls -A folder)" ] || fail "killed, it left a file"
echo "lendkeep-measure for Windows goes where it should"
