package sysfs

import (
	"encoding/binary"
	"errors"
	"fmt"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// Offsets in config space and in the MSI-X capability (PCI Local Bus
// Specification 3.0, 6.1, 6.7 and 6.8.2).
const (
	configBytes      = 256 // what a capability of the old kind can lie in
	configHeaderEnd  = 64  // what anybody may read; the rest takes privilege
	offsetStatus     = 0x06
	offsetHeaderType = 0x0e
	offsetFirstCap   = 0x34

	statusCapabilities = 1 << 4
	multiFunction      = 1 << 7
	headerCardBus      = 2
	capMSIX            = 0x11
	msixBytes          = 12
)

// readConfig fills what only config space tells.
func readConfig(p place, f *facts.Function) {
	config, err := files.Head(p.fsys, p.dir+"/config", configBytes)
	switch {
	case err != nil:
	case len(config) < configHeaderEnd:
		err = fmt.Errorf("it has only %d bytes", len(config))
	case config[0] == 0xff && config[1] == 0xff:
		err = errors.New("it reads as all ones: the device does not answer")
	}
	if err != nil {
		p.gap("header_type", "config", err)
		p.gap("msix", "config", err)
		return
	}
	f.HeaderType = config[offsetHeaderType] &^ multiFunction
	f.MultiFunction = config[offsetHeaderType]&multiFunction != 0
	if f.MSIX, err = msix(config); err != nil {
		p.gap("msix", "config", err)
	}
}

// msix walks the list of capabilities; nil where MSI-X is not among them.
func msix(config []byte) (*facts.MSIX, error) {
	status := binary.LittleEndian.Uint16(config[offsetStatus:])
	if status&statusCapabilities == 0 || config[offsetHeaderType]&^multiFunction == headerCardBus {
		return nil, nil
	}
	at := int(config[offsetFirstCap] &^ 3)
	for range configBytes / 4 { // more would be a loop
		switch {
		case at == 0:
			return nil, nil
		case at < configHeaderEnd:
			return nil, fmt.Errorf("a capability at 0x%02x, outside its place", at)
		case at+2 > len(config):
			return nil, fmt.Errorf("only %d bytes are readable; the rest takes root", len(config))
		case config[at] == capMSIX && at+msixBytes > len(config):
			return nil, fmt.Errorf("only %d bytes are readable, and MSI-X is at 0x%02x", len(config), at)
		case config[at] == capMSIX:
			return msixAt(config[at:]), nil
		}
		at = int(config[at+1] &^ 3)
	}
	return nil, errors.New("the list of capabilities is a loop")
}

func msixAt(capability []byte) *facts.MSIX {
	control := binary.LittleEndian.Uint16(capability[2:])
	table := binary.LittleEndian.Uint32(capability[4:])
	pending := binary.LittleEndian.Uint32(capability[8:])
	return &facts.MSIX{
		Vectors:  int(control&0x7ff) + 1, // the field holds one less
		TableBAR: int(table & 7), TableOffset: table &^ 7,
		PBABAR: int(pending & 7), PBAOffset: pending &^ 7,
	}
}
