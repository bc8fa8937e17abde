// Package dump makes facts of what libvirt prints, whether it was just asked
// or its answers lie in files; it needs no libvirt itself. Start at FromFiles.
package dump
