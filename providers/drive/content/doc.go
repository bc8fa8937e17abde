// Package content tells what a drive or an image holds from its bytes alone: its
// table, the signature of each partition in the words of blkid, and whether its
// filesystem was left clean. It needs no library or program of the host. Start
// at Read; one file a filesystem.
package content
