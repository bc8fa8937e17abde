package sysfs

import (
	"fmt"
	"io/fs"

	"lendkeep/reconcile/facts"
)

// Offsets in the capability of PCI Express (PCI Express Base Specification 4.0, 7.5.3;
// Linux include/uapi/linux/pci_regs.h: PCI_EXP_FLAGS, PCI_EXP_DEVCTL).
const (
	capExpress       = 0x10
	offsetExpress    = 2 // bits 4 to 7: what it is
	offsetDevControl = 8
	expressBytes     = offsetDevControl + 2
)

// expressTypes are the values of Device/Port Type (7.5.3.2).
var expressTypes = map[byte]facts.Express{
	0: facts.Endpoint, 1: facts.LegacyEndpoint, 4: facts.RootPort, 5: facts.UpstreamPort, 6: facts.DownstreamPort,
	7: facts.ToPCI, 8: facts.FromPCI, 9: facts.IntegratedEndpoint, 10: facts.EventCollector,
}

// noExpress notes that none of what PCI Express tells is known.
func noExpress(p place, err error) {
	p.gap("express", "config", err)
	p.gap("payload_bytes", "config", err)
	noExtended(p, err)
}

// readExpress fills what only a PCI Express function has.
func readExpress(p place, f *facts.Function, config []byte, file fs.File) {
	found, err := capability(config, capExpress, expressBytes)
	if err != nil {
		noExpress(p, err)
	}
	if found == nil {
		return
	}
	kind := found[offsetExpress] >> 4
	if f.Express = expressTypes[kind]; f.Express == "" { // a reserved one
		f.Express = facts.Express(fmt.Sprintf("type %d", kind))
	}
	f.PayloadBytes = payload(found)
	readExtended(p, f, file)
}

// payload gives 0 for a value of the field that is reserved (7.5.3.4): that is no gap,
// which would block a lend, since only measurements are judged by it.
func payload(express []byte) int {
	if size := express[offsetDevControl] >> 5; size <= 5 {
		return 128 << size
	}
	return 0
}
