#!/bin/sh
# Installs the package in a clean Debian root, runs the main job from it, removes
# and purges it, and sees that nothing is left. The root lies below a temporary
# folder; what is mounted in it is mounted in a mount namespace of its own, which
# goes when this script ends, however that is.
set -eu
deb=$(realpath "$1")
cd "$(dirname "$0")/.."
if [ "$(id -u)" != 0 ] || ! unshare --mount true; then
	echo "skipped: a clean root is made and entered by root only, who may mount" >&2
	exit 0
fi
if [ "${2-}" != inside ]; then
	work=$(mktemp -d)
	trap 'rm -rf --one-file-system "$work"' EXIT
	trap 'exit 1' INT TERM HUP
	WORK=$work unshare --mount --propagation private "testdata/debtest.sh" "$deb" inside
	exit
fi

root=$WORK/root
say() { printf '\n== %s\n' "$1"; }
fail() {
	echo "the package's test failed: $1" >&2
	exit 1
}
in_root() { env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8 HOME=/root chroot "$root" "$@"; }
# What is there, but for what dpkg and its like keep of themselves.
present() {
	in_root find / -xdev \( -path /proc -o -path /var/lib/dpkg -o -path /var/log -o -path /var/cache -o -path /tmp -o -path /root \) -prune -o -print | sort
}

say "A clean root, by this machine's own apt, with what the package depends on."
# shellcheck disable=SC2046 # the list is words
set -- $(find /etc/apt/sources.list /etc/apt/sources.list.d -name '*.list' -o -name '*.sources' 2>/dev/null)
apt-config dump Acquire >"$WORK/apt.conf"
depends=$(dpkg-deb -f "$deb" Depends | sed 's/([^)]*)//g; s/ //g')
mmdebstrap --quiet --mode=root --variant=minbase --aptopt="$WORK/apt.conf" --include="$depends" \
	"$(. /etc/os-release && echo "$VERSION_CODENAME")" "$root" "$@"
mount -t proc proc "$root/proc"
present >"$WORK/before"

say "Installed."
cp "$deb" "$root/root/lendkeep.deb"
in_root dpkg --install /root/lendkeep.deb
in_root lendkeep version

say "The main job, from the package."
mkdir -p "$root/root/demo/testdata/hosts"
cp testdata/demo.sh "$root/root/demo/testdata/"
cp testdata/hosts/larch.txtar testdata/hosts/larch.agents.json "$root/root/demo/testdata/hosts/"
ln -s /usr/share/doc/lendkeep/examples "$root/root/demo/examples"
in_root sh /root/demo/testdata/demo.sh /usr/bin/lendkeep >"$WORK/demo" || { cat "$WORK/demo"; fail "the main job"; }
grep -A 1 '^no difference' "$WORK/demo"

say "Where something may be lent, and nobody can be asked, it stays."
mkdir -p "$root/etc/lendkeep"
echo '{}' >"$root/etc/lendkeep/rules.json"
if in_root dpkg --remove lendkeep 2>"$WORK/refused"; then
	fail "it was removed although rules of a guard are there"
fi
cat "$WORK/refused"
grep -q 'whether something is lent is not known' "$WORK/refused" || fail "the reason was not told"
in_root lendkeep --version
rm "$root/etc/lendkeep/rules.json"

say "Removed, and purged."
in_root dpkg --remove lendkeep
in_root dpkg --purge lendkeep
present >"$WORK/after"
diff "$WORK/before" "$WORK/after" || fail "something is left, or gone"
[ "$(in_root dpkg-query -W -f '${Status}' lendkeep 2>/dev/null)" = "" ] || fail "dpkg still knows it"
echo "nothing is left"
