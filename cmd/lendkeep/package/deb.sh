#!/bin/sh
# Makes the Debian package of what make install has put into a folder, and names
# it. The same commit gives the same bytes, wherever it lies.
#
# usage: deb.sh ROOT OUT
set -eu
umask 022
root=$1 out=$2
here=$(dirname "$0")
doc=$root/usr/share/doc/lendkeep
export SOURCE_DATE_EPOCH="${SOURCE_DATE_EPOCH:-$(git -C "$here" log -1 --format=%ct)}" LC_ALL=C

mkdir -p "$doc" "$root/usr/share/lintian/overrides" "$root/DEBIAN"
install -m 644 "$here/copyright" "$doc/copyright"
install -m 644 "$here/overrides" "$root/usr/share/lintian/overrides/lendkeep"
gzip -9n <"$here/changelog" >"$doc/changelog.gz"
"$here/licences.sh" "$root/usr/bin/lendkeep" "$root/usr/sbin/lendkeep-hook" "$root"/usr/lib/lendkeep/* >"$doc/compiled-in"
gzip -9n "$doc/compiled-in"
find "$root/usr/share/man" -type f -exec gzip -9n {} +

# The newest version of libc's symbols that the program asks for (objdump(1)).
libc=$(objdump -T "$root/usr/bin/lendkeep" | grep -o 'GLIBC_[0-9.]*' | sort -uV | tail -n 1)
[ -n "$libc" ] || { echo "which libc lendkeep needs is not to be seen" >&2; exit 1; }
size=$(find "$root/usr" -type f -printf '%s\n' | awk '{ kib += int(($1 + 1023) / 1024) } END { print kib }')
version=$("$root/usr/bin/lendkeep" --version | cut -d ' ' -f 2)
architecture=$(dpkg --print-architecture)
sed "s/@VERSION@/$version/; s/@ARCHITECTURE@/$architecture/; s/@LIBC@/${libc#GLIBC_}/; s/@SIZE@/$size/" "$here/control" >"$root/DEBIAN/control"
install -m 755 "$here/postinst" "$here/prerm" "$here/postrm" "$root/DEBIAN"
(cd "$root" && find usr -type f | sort | xargs md5sum) >"$root/DEBIAN/md5sums"
chmod 644 "$root/DEBIAN/control" "$root/DEBIAN/md5sums"

# One thread, as how xz cuts its blocks depends on their number.
dpkg-deb --root-owner-group --threads-max=1 -Zxz --build "$root" "$out/lendkeep_${version}_$architecture.deb"
