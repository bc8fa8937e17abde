package step

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// Kept is a function that has a driver_override while no VFIO driver has it: one driver
// alone may take it. Lending writes over that.
type Kept struct {
	At       facts.Address `json:"at"`
	Driver   string        `json:"driver,omitempty"` // that had it; empty: none
	Override string        `json:"override"`         // what driver_override said
}

// KeptOf gives those functions of a list that are kept so.
func KeptOf(list ...*facts.Function) []Kept {
	var kept []Kept
	for _, f := range list {
		if !f.OnVFIO() && oneLine.MatchString(f.DriverOverride) {
			kept = append(kept, Kept{f.Address, f.Driver, f.DriverOverride})
		}
	}
	return kept
}

// oneLine is what an override is taken for that can be written again (the kernel takes
// any text up to a line end: Linux drivers/base/driver.c, driver_set_override).
var oneLine = regexp.MustCompile(`^[!-~][ -~]{0,63}$`)

// again tells whether the function is as it was once its override is written and the
// kernel asked for a driver: one that had another driver, or is for VFIO without being
// there, would go elsewhere.
func (k Kept) again() bool {
	return (k.Driver == "" || k.Driver == k.Override) && !strings.Contains(k.Override, "vfio")
}

// lost has an undo say that the override is gone then.
func (a *About) lost(k Kept) {
	a.Loses = append(a.Loses, k.At)
	a.Undoes += fmt.Sprintf("; the driver_override of %s (%s) is gone then, write it by hand", k.At, k.Override)
}

func soundKept(list []Kept) error {
	for n, k := range list {
		if !oneLine.MatchString(k.Override) || slices.ContainsFunc(list[:n], func(before Kept) bool { return before.At == k.At }) {
			return fmt.Errorf("%s cannot have had the driver_override %.80q, or is there twice", k.At, k.Override)
		}
	}
	return nil
}
