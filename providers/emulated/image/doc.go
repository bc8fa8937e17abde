// Package image makes what an emulated host boots: a kernel, the modules its
// first moments need, and a drive with a root filesystem, all unpacked from
// Debian packages and kept in a cache under the hash of everything that went
// in. Start at Make.
package image
