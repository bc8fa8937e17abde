package facts

import (
	"errors"
	"slices"
)

// Aid is a boot aid: what lendkeep builds of a donor's parts for firmware that
// cannot start from an NVMe drive by itself, an option ROM (ROM) or a shim disk
// (Shim).
type Aid interface {
	// Title says what it is: "option ROM".
	Title() string
	// At is its path.
	At() string
	// Sound says why it must not be placed there, or removed.
	Sound() error
	// MadeOf tells whether a donor has the parts that it is built of.
	MadeOf(*Firmware) bool
	// NeededBy tells whether a definition names it: then QEMU does not start
	// without it.
	NeededBy(*Definition) bool
	// Lies tells whether something lies at its path, and whether that is just
	// this; gap says why nothing may be known, or placed, there.
	Lies(*Index) (there, same bool, gap string)
}

// Title implements Aid, as do the methods below.
func (r ROM) Title() string { return "option ROM" }

func (r ROM) At() string { return r.Path }

func (r ROM) Sound() error {
	if !IsROM(r.Path) {
		return errors.New("it is not in " + ROMFolder)
	}
	return nil
}

func (r ROM) MadeOf(donor *Firmware) bool { return donor.Driver == r.Driver }

func (r ROM) NeededBy(d *Definition) bool {
	return slices.ContainsFunc(d.Hostdevs, func(l Hostdev) bool { return l.ROM == r.Path })
}

func (r ROM) Lies(ix *Index) (there, same bool, gap string) {
	if placed := ix.ROM(r.Path); placed != nil {
		return true, placed.ROM == r && placed.Why == "", ""
	}
	if gap = ix.Survey.ROMGap; gap != "" {
		gap = ROMFolder + " cannot be read: " + gap
	}
	return false, false, gap
}

func (s Shim) Title() string { return "shim disk" }

func (s Shim) At() string { return s.Path }

func (s Shim) Sound() error {
	if !IsShim(s.Path) {
		return errors.New("it is not in " + ShimFolder)
	}
	return nil
}

func (s Shim) MadeOf(donor *Firmware) bool {
	return donor.Driver == s.Driver && donor.ShellSum == s.Shell
}

func (s Shim) NeededBy(d *Definition) bool {
	return slices.ContainsFunc(d.Disks, func(disk Disk) bool { return disk.Source == s.Path })
}

func (s Shim) Lies(ix *Index) (there, same bool, gap string) {
	if placed := ix.Shim(s.Path); placed != nil {
		return true, placed.Shim == s && placed.Why == "", ""
	}
	if gap = ix.Survey.ShimGap; gap != "" {
		gap = ShimFolder + " cannot be used: " + gap
	}
	return false, false, gap
}
