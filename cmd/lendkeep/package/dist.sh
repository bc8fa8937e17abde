#!/bin/sh
# Packs what make install has put into a folder as a tar archive for hosts without
# dpkg, with its checksum beside it. The same commit gives the same bytes.
#
# usage: dist.sh ROOT OUT
set -eu
umask 022
root=$1 out=$2
here=$(dirname "$0")
epoch=${SOURCE_DATE_EPOCH:-$(git -C "$here" log -1 --format=%ct)}
name=lendkeep-$("$root/usr/bin/lendkeep" --version | cut -d ' ' -f 2)-linux-$(go env GOARCH)

"$here/licences.sh" "$root/usr/bin/lendkeep" "$root/usr/sbin/lendkeep-hook" "$root"/usr/lib/lendkeep/* >"$root/usr/share/doc/lendkeep/compiled-in"
install -m 644 "$here/../../../LICENSE" "$root/usr/share/doc/lendkeep/LICENSE"
tar -C "$root" --sort=name --mtime="@$epoch" --owner=0 --group=0 --numeric-owner --format=gnu \
	--transform="s,^\.,$name," -cf - . | gzip -9n >"$out/$name.tar.gz"
(cd "$out" && sha256sum "$name.tar.gz" >"$name.tar.gz.sha256")
echo "$out/$name.tar.gz"
