package sysfs

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"

	"lendkeep/reconcile/facts"
)

// Extended capabilities are a list behind the space of old PCI. Each begins with four
// bytes that have its number, and where the next one is (PCI Express Base Specification
// 4.0, 7.6.3; Linux include/uapi/linux/pci_regs.h: PCI_EXT_CAP_ID, PCI_EXT_CAP_NEXT).
const (
	extendedFirst = configBytes
	extendedEnd   = 4096
	extendedLeast = 8 // bytes of the shortest one (Linux drivers/pci/pci.c, pci_find_next_ext_capability)

	capDeviceSerial = 0x0003 // Device Serial Number, 7.9.3: 64 bits behind its head
	capACS          = 0x000d // Access Control Services, 7.7.8: two registers of 16 bits
)

// extended is one of them.
type extended struct {
	number uint16
	at     int64 // of its head
}

// noExtended notes that none of what extended capabilities tell is known.
func noExtended(p place, err error) {
	p.gap("device_serial", "config", err)
	p.gap("acs", "config", err)
}

// readExtended fills what only extended capabilities tell, by the file with all of the
// config space; that takes root.
func readExtended(p place, f *facts.Function, file fs.File) {
	space, can := file.(io.ReaderAt)
	if !can {
		noExtended(p, errors.ErrUnsupported)
		return
	}
	list, err := walkExtended(space)
	if err != nil {
		noExtended(p, err)
		return
	}
	if f.DeviceSerial, err = deviceSerial(list, space); err != nil {
		p.gap("device_serial", "config", err)
	}
	if f.ACS, err = acs(list, space); err != nil {
		p.gap("acs", "config", err)
	}
}

// walkExtended walks the list. A file that ends where they begin says that the kernel
// reaches none (drivers/pci/probe.c, pci_cfg_space_size).
func walkExtended(space io.ReaderAt) ([]extended, error) {
	var list []extended
	at := int64(extendedFirst)
	for range (extendedEnd - extendedFirst) / extendedLeast { // more would be a loop
		head, err := uint32At(space, at)
		switch next := int64(head>>20) &^ 3; {
		case err == io.EOF && at == extendedFirst:
			return nil, nil
		case err != nil:
			return nil, fmt.Errorf("an extended capability at 0x%03x: %w", at, err)
		case head == 0xffffffff:
			return nil, fmt.Errorf("an extended capability at 0x%03x reads as all ones", at)
		case head == 0: // 7.6.2: there is none
			return list, nil
		case next == 0:
			return append(list, extended{uint16(head), at}), nil
		case next < extendedFirst:
			return nil, fmt.Errorf("an extended capability at 0x%03x, outside its place", next)
		default:
			list, at = append(list, extended{uint16(head), at}), next
		}
	}
	return nil, errors.New("the list of extended capabilities is a loop")
}

// find gives where the first one of a number is; 0 where there is none.
func find(list []extended, number uint16) int64 {
	for _, one := range list {
		if one.number == number {
			return one.at
		}
	}
	return 0
}

// uint32At reads four bytes; io.EOF says that nothing is there.
func uint32At(space io.ReaderAt, at int64) (uint32, error) {
	var read [4]byte
	n, err := space.ReadAt(read[:], at)
	switch {
	case n == len(read):
		return binary.LittleEndian.Uint32(read[:]), nil
	case n == 0 && err == io.EOF:
		return 0, io.EOF
	case err == io.EOF:
		return 0, io.ErrUnexpectedEOF
	default:
		return 0, err
	}
}

// deviceSerial writes the number as lspci does (pciutils ls-ecaps.c, cap_dsn), its
// highest byte first; empty where there is none, as all zeros and all ones are.
func deviceSerial(list []extended, space io.ReaderAt) (string, error) {
	at := find(list, capDeviceSerial)
	if at == 0 {
		return "", nil
	}
	low, err := uint32At(space, at+4)
	if err != nil {
		return "", fmt.Errorf("the device serial number at 0x%03x: %w", at, err)
	}
	high, err := uint32At(space, at+8)
	if err != nil {
		return "", fmt.Errorf("the device serial number at 0x%03x: %w", at, err)
	}
	value := uint64(high)<<32 | uint64(low)
	if value == 0 || value == ^uint64(0) {
		return "", nil
	}
	return strings.ReplaceAll(fmt.Sprintf("% x", binary.BigEndian.AppendUint64(nil, value)), " ", "-"), nil
}

// acs gives nil where the function has none.
func acs(list []extended, space io.ReaderAt) (*facts.ACS, error) {
	at := find(list, capACS)
	if at == 0 {
		return nil, nil
	}
	both, err := uint32At(space, at+4)
	if err != nil {
		return nil, fmt.Errorf("the access control services at 0x%03x: %w", at, err)
	}
	return &facts.ACS{Can: uint16(both), On: uint16(both >> 16)}, nil
}
