package sysfs

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

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

// readConfig fills what only config space tells. That nothing answers is not told by the
// number of the vendor alone, which is all ones of each virtual function (PCI Express
// Base Specification 4.0, 9.3.4.1.1).
func readConfig(p place, f *facts.Function) {
	file, err := p.fsys.Open(p.dir + "/config")
	var config []byte
	if err == nil {
		defer file.Close() // only read
		config, err = io.ReadAll(io.LimitReader(file, configBytes))
	}
	switch {
	case err != nil:
	case len(config) < configHeaderEnd:
		err = fmt.Errorf("it has only %d bytes", len(config))
	case len(bytes.Trim(config[:configHeaderEnd], "\xff")) == 0:
		err = errors.New("it reads as all ones: the device does not answer")
	}
	if err != nil {
		p.gap("header_type", "config", err)
		p.gap("msix", "config", err)
		noExpress(p, err)
		return
	}
	f.HeaderType = config[offsetHeaderType] &^ multiFunction
	f.MultiFunction = config[offsetHeaderType]&multiFunction != 0
	if f.MSIX, err = msix(config); err != nil {
		p.gap("msix", "config", err)
	}
	readExpress(p, f, config, file)
}

// msix gives nil where MSI-X is not among the capabilities.
func msix(config []byte) (*facts.MSIX, error) {
	found, err := capability(config, capMSIX, msixBytes)
	if found == nil {
		return nil, err
	}
	control := binary.LittleEndian.Uint16(found[2:])
	table := binary.LittleEndian.Uint32(found[4:])
	pending := binary.LittleEndian.Uint32(found[8:])
	return &facts.MSIX{
		Vectors:  int(control&0x7ff) + 1, // the field holds one less
		TableBAR: int(table & 7), TableOffset: table &^ 7,
		PBABAR: int(pending & 7), PBAOffset: pending &^ 7,
	}, nil
}

// capability walks the list of capabilities for one of at least so many bytes; nil
// where it is not among them.
func capability(config []byte, id byte, bytes int) ([]byte, error) {
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
		case config[at] == id && at+bytes > len(config):
			return nil, fmt.Errorf("only %d bytes are readable, and capability 0x%02x is at 0x%02x", len(config), id, at)
		case config[at] == id:
			return config[at:], nil
		}
		at = int(config[at+1] &^ 3)
	}
	return nil, errors.New("the list of capabilities is a loop")
}
