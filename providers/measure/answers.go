package measure

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/speed"
)

// What Windows answers of drives, as Microsoft publishes it (Windows Driver Kit,
// ntddstor.h; Windows SDK, winioctl.h). Drivers write these answers: no offset and no
// count in them is believed. Nothing here calls Windows, so that it is tested anywhere.

// busNames are the members of STORAGE_BUS_TYPE by their number; the empty ones are
// none that a drive is on today.
var busNames = [...]string{1: "scsi", 2: "atapi", 3: "ata", 6: "fibre channel", 7: "usb", 8: "raid", 9: "iscsi", 10: "sas", 11: "sata", 12: "sd", 13: "mmc", 14: "virtual", 15: "file", 16: "storage spaces", 17: "nvme", 18: "scm", 19: "ufs", 20: "nvme-of"}

// described reads a STORAGE_DEVICE_DESCRIPTOR: offsets of texts from byte 12, the bus
// at byte 28.
func described(answer []byte) (speed.Drive, error) {
	if len(answer) < 36 {
		return speed.Drive{}, short("what the drive is", answer)
	}
	text := func(at int) string {
		from := int(binary.LittleEndian.Uint32(answer[at:]))
		if from < 36 || from >= len(answer) { // 0: there is none
			return ""
		}
		end, _, _ := bytes.Cut(answer[from:], []byte{0})
		return strings.TrimSpace(string(end))
	}
	d := speed.Drive{Model: speed.Text(strings.TrimSpace(text(12) + " " + text(16))), Firmware: speed.Text(text(20)), Serial: speed.Text(text(24))}
	if bus := binary.LittleEndian.Uint32(answer[28:]); bus < uint32(len(busNames)) {
		d.Bus = busNames[bus]
	}
	return d, nil
}

// driveNumber reads a STORAGE_DEVICE_NUMBER: 4 bytes of kind, 4 of the number.
func driveNumber(answer []byte) (uint32, error) {
	if len(answer) < 12 {
		return 0, short("the drive's number", answer)
	}
	return binary.LittleEndian.Uint32(answer[4:]), nil
}

// extents reads VOLUME_DISK_EXTENTS: a count, and from byte 8 on 24 bytes for each, of
// which the first 4 are the drive's number. It gives each drive once.
func extents(answer []byte) ([]uint32, error) {
	if len(answer) < 8 {
		return nil, short("the volume's drives", answer)
	}
	n := int64(binary.LittleEndian.Uint32(answer))
	if n == 0 || 8+24*n > int64(len(answer)) {
		return nil, fmt.Errorf("the volume says that it has %d extents, in %d bytes", n, len(answer))
	}
	var list []uint32
	for i := range n {
		list = append(list, binary.LittleEndian.Uint32(answer[8+24*i:]))
	}
	slices.Sort(list)
	return slices.Compact(list), nil
}

// geometry reads DISK_GEOMETRY_EX: bytes of a sector at 20, of the drive at 24.
func geometry(answer []byte) (sector, size int64, err error) {
	if len(answer) < 32 {
		return 0, 0, short("the drive's size", answer)
	}
	sector, size = int64(binary.LittleEndian.Uint32(answer[20:])), int64(binary.LittleEndian.Uint64(answer[24:]))
	if sector < 512 || sector > 1<<20 || size < 0 {
		return 0, 0, fmt.Errorf("the drive says that it has %d bytes in sectors of %d", size, sector)
	}
	return sector, size, nil
}

// writeCache reads a STORAGE_WRITE_CACHE_PROPERTY: its type at byte 8, at 12 whether
// it is on.
func writeCache(answer []byte) string {
	if len(answer) < 16 {
		return ""
	}
	kind, on := binary.LittleEndian.Uint32(answer[8:]), binary.LittleEndian.Uint32(answer[12:])
	switch {
	case on == 1: // WriteCacheDisabled
		return "off"
	case on == 2 && kind == 2: // WriteCacheEnabled, WriteCacheTypeWriteBack
		return "write back"
	case on == 2 && kind == 3: // WriteCacheTypeWriteThrough
		return "write through"
	default:
		return ""
	}
}

// warmth reads a STORAGE_TEMPERATURE_DATA_DESCRIPTOR: a count at byte 12, and from
// byte 24 on 16 bytes for each sensor, with the degrees at its byte 2; the first is
// the whole drive's.
func warmth(answer []byte) *int {
	if len(answer) < 24+16 || binary.LittleEndian.Uint16(answer[12:]) == 0 {
		return nil
	}
	degrees := int(int16(binary.LittleEndian.Uint16(answer[24+2:])))
	if degrees < -100 || degrees > 200 { // 0x8000 is what a sensor says that does not know
		return nil
	}
	return &degrees
}

func short(what string, answer []byte) error {
	return fmt.Errorf("Windows tells %s in only %d bytes", what, len(answer))
}

// driverOf finds which driver a device has, in the registry: below Enum, by the
// device's name, its service and the name of its key below Class, where the version
// is (Windows Driver Kit, "Registry trees and keys for devices and drivers").
func driverOf(device string, read func(key, value string) string) (service, version string) {
	const control = `SYSTEM\CurrentControlSet\`
	service = read(control+`Enum\`+device, "Service")
	if key := read(control+`Enum\`+device, "Driver"); key != "" {
		version = read(control+`Control\Class\`+key, "DriverVersion")
	}
	return speed.Text(strings.ToLower(service)), speed.Text(version)
}

// windowsName corrects what the registry calls Windows 11: the name is that of
// Windows 10, and its builds begin at 22000 (Microsoft, "Windows 11 release
// information").
func windowsName(product string, build uint32) string {
	if rest, ok := strings.CutPrefix(product, "Windows 10"); ok && build >= 22000 {
		return speed.Text("Windows 11" + rest)
	}
	return speed.Text(product)
}
