package facts

import "slices"

// ownResets are the ways to reset a function and nothing beside it (Linux
// drivers/pci/pci.c, pci_reset_fn_methods). "bus" is none, nor is one that
// another kernel may have: it counts as one that hits all below the bridge.
var ownResets = []string{"device_specific", "acpi", "flr", "af_flr", "pm"}

// ResetsAlone tells whether the kernel has a way to reset the function and nothing
// beside it.
func (f Function) ResetsAlone() bool {
	return slices.ContainsFunc(f.ResetMethods, func(method string) bool { return slices.Contains(ownResets, method) })
}

// ResetWith gives the others that a reset of a function's bus resets: all below the
// same bridge or port, at whatever depth, nearest first. None for one on a root bus,
// which no such reset reaches.
func (ix *Index) ResetWith(f *Function) []*Function {
	if f.Upstream == nil {
		return nil
	}
	var list []*Function
	seen := map[Address]bool{f.Address: true}
	for bridges := []Address{*f.Upstream}; len(bridges) > 0; bridges = bridges[1:] {
		for _, other := range ix.below[bridges[0]] {
			if !seen[other.Address] {
				seen[other.Address] = true
				list, bridges = append(list, other), append(bridges, other.Address)
			}
		}
	}
	return list
}
