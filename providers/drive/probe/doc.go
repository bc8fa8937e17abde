// Package probe asks util-linux what is on a drive, a part of one or a raw image:
// blkid, which names what a range of bytes is, and wipefs, which lists every mark
// on a whole one. Both only read. Start at Blkid and Wipefs.
package probe
