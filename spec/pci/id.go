// Package pci names kinds of PCI functions.
package pci

import "fmt"

// ID is one half of a kind: a vendor or device number (PCI ID database,
// pci.ids).
type ID uint16

// String gives four hexadecimal digits, as lspci -n does.
func (id ID) String() string { return fmt.Sprintf("%04x", uint16(id)) }
