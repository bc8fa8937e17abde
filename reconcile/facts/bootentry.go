package facts

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// BootEntry is one Boot#### variable of a guest's firmware (UEFI 2.10, 3.1.3).
type BootEntry struct {
	Number    uint16 `json:"number"`
	Label     string `json:"label"` // as the boot menu shows it
	Active    bool   `json:"active"`
	Place     int    `json:"place,omitempty"`     // in BootOrder, from 1; 0: it is not in it
	Partition string `json:"partition,omitempty"` // GPT id of the partition that it names, lower case
	Short     bool   `json:"short,omitempty"`     // it names the partition on whatever drive that is (3.1.2)
	File      string `json:"file,omitempty"`      // the program on it, with backslashes; empty: the usual one
}

// Name gives the variable's name, as firmware's own messages do: Boot0001.
func (e BootEntry) Name() string { return fmt.Sprintf("Boot%04X", e.Number) }

// Tried gives the entries that firmware tries by itself, first to last.
func (s VariableStore) Tried() []BootEntry {
	list := slices.DeleteFunc(slices.Clone(s.Entries), func(e BootEntry) bool { return !e.Active || e.Place == 0 })
	slices.SortStableFunc(list, func(a, b BootEntry) int { return cmp.Compare(a.Place, b.Place) })
	return list
}

// NewEntry is a boot entry that an order writes: a program on a partition,
// first in the boot order.
type NewEntry struct {
	Label     string          `json:"label"`
	Partition SystemPartition `json:"partition"`
	File      string          `json:"file"` // with backslashes
}

// First tells whether firmware tries exactly that program before all others.
func (s VariableStore) First(e NewEntry) bool {
	tried := s.Tried()
	return len(tried) > 0 && tried[0].Short && tried[0].Partition == e.Partition.ID && SameFile(tried[0].File, e.File)
}

// SameFile compares two paths as FAT does, which does not tell upper from lower
// case.
func SameFile(a, b string) bool { return strings.EqualFold(a, b) }

// Store gives what is known of the variable store at a path, or nil.
func (ix *Index) Store(named string) *VariableStore { return ix.stores[named] }
