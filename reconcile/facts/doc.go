// Package facts holds what was seen on a host, as plain values with their
// gaps, and the questions asked of them: who uses a drive, who shares a group,
// whether the kernel would allow a lend. Start at Survey, then Index.
package facts
