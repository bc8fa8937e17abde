// Package firmware reads guest firmware and builds what boots a lent drive
// with firmware that cannot read it: start at Read for what an image holds, at
// ROM for the option ROM and at Shim for the boot disk.
//
// Everything read here comes from files that somebody else made, so every
// reader bounds what it believes: lengths, nesting and decompression. A thing
// that cannot be read is unknown with its reason, never absent.
//
// Formats: UEFI Platform Initialization 1.8 volume 3 (volumes, files,
// sections), UEFI 2.10 chapters 3, 5, 10 and 14 (boot options, GPT, device
// paths, PCI option ROMs), edk2's VariableFormat.h (variable store) and QEMU's
// docs/interop/firmware.json (descriptors).
package firmware
