// Package quirks knows trouble of single devices that bears on lending them: what
// the kernel's own tables say of them, as one table of values (table.go), held
// against a list made from the kernel's source. Start at Of.
package quirks

import (
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/pci"
)

// What says what is wrong with a device, or special about it.
type What string

// The kinds of trouble.
const (
	NoBusReset    What = "no bus reset"    // a reset of its bus breaks it, so the kernel must not try one
	NoPowerReset  What = "no power reset"  // D3hot and back resets nothing, though it says that it does
	NoFLR         What = "no FLR"          // a function-level reset hangs it
	OwnReset      What = "own reset"       // only a reset made for it alone does: "device_specific"
	NoReturn      What = "no return"       // no reset brings it back after a guest
	BrokenINTx    What = "broken INTx"     // its old-style interrupt cannot be masked
	Refused       What = "refused by vfio" // vfio-pci binds no such device
	NoTranslation What = "no ATS"          // it must not keep addresses of its own (PCI Express ATS)
	SlowWake      What = "slow to wake"    // it needs longer than others to come back from D3
	Apart         What = "kept apart"      // its functions cannot reach each other, though it does not say so (ACS)
	HiddenINTx    What = "INTx is hidden"  // vfio-pci does without that interrupt, which mends BrokenINTx
)

// Row is one row of the rule base: which functions it means and what of them.
type Row struct {
	What   What
	From   string // the function or table of the kernel's source that says so; Memory where no source does
	Vendor pci.ID
	Is     []pci.ID // device numbers; empty: any that the rest fits

	Mask, Masked pci.ID   // device & Mask must be Masked; Mask 0: any
	Class        uint32   // class >> Shift must be it; 0: any
	Shift        uint8    // bits
	Revisions    [2]uint8 // from and to; both 0: any
	Subsystems   []Subsystem

	Says string // what happens, as a sentence
}

// Subsystem is one number pair of a card's maker.
type Subsystem struct{ Vendor, Device pci.ID }

// Version is the kernel of which the table was read.
const Version = "6.1.192"

// Memory marks a row that comes from no source that was read.
const Memory = "from memory"

// Source says where a row is from, for people.
func (r Row) Source() string {
	switch r.From {
	case Memory:
		return "from memory, without a source"
	case "vfio_pci_dev_in_denylist":
		return "drivers/vfio/pci/vfio_pci.c, " + r.From + ", Linux " + Version
	case "vfio_pci_nointx":
		return "drivers/vfio/pci/vfio_pci_core.c, " + r.From + ", Linux " + Version
	default:
		return "drivers/pci/quirks.c, " + r.From + ", Linux " + Version
	}
}

var byVendor = func() map[pci.ID][]Row {
	of := map[pci.ID][]Row{}
	for _, r := range table {
		of[r.Vendor] = append(of[r.Vendor], r)
	}
	return of
}()

// Of gives the rows that mean a function, in the table's sequence; none for one
// whose kind could not be read.
func Of(f *facts.Function) []Row {
	if !f.KindKnown() {
		return nil
	}
	var list []Row
	for _, r := range byVendor[f.Vendor] {
		if r.means(f) {
			list = append(list, r)
		}
	}
	return list
}

func (r Row) means(f *facts.Function) bool {
	switch {
	case len(r.Is) > 0 && !slices.Contains(r.Is, f.Device),
		f.Device&r.Mask != r.Masked,
		r.Class != 0 && f.Class>>r.Shift != r.Class,
		r.Revisions != [2]uint8{} && (f.Revision < r.Revisions[0] || f.Revision > r.Revisions[1]):
		return false
	}
	return len(r.Subsystems) == 0 || slices.Contains(r.Subsystems, Subsystem{f.SubsystemVendor, f.SubsystemDevice})
}
