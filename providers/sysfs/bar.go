package sysfs

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
)

// Flags of a region in the file resource (Linux include/linux/ioport.h).
const (
	regionShadow   = 0x00000002 // of the option ROM alone: IORESOURCE_ROM_SHADOW
	regionIO       = 0x00000100
	regionPrefetch = 0x00002000
	regionWide     = 0x00100000
	regionUnset    = 0x20000000
)

// resizedFrom is the size from which a region is asked for others that it can have:
// smaller ones find a place in every guest.
const resizedFrom = 256 << 20

// regions reads the file resource: a line of start, end and flags for each region,
// the base address registers first, then the option ROM.
func regions(p place, f *facts.Function) {
	content, err := p.read(p.dir + "/resource")
	lines := strings.Split(strings.TrimSuffix(string(content), "\n"), "\n")
	if err == nil && (!ended(content) || len(lines) < 6) {
		err = errors.New("it is cut, or has fewer than six lines")
	}
	for i, line := range lines[:min(len(lines), 7)] {
		if err != nil {
			break
		}
		var bar facts.BAR
		var flags uint64
		bar, flags, err = region(line)
		switch {
		case bar.SizeBytes == 0:
		case i == 6:
			f.OptionROM = &facts.OptionROM{SizeBytes: bar.SizeBytes, Shadow: flags&regionShadow != 0}
		default:
			bar.Index = i
			f.BARs = append(f.BARs, bar)
		}
	}
	if err != nil {
		p.gap("bars", "resource", err)
		p.gap("option_rom", "resource", err)
	}
}

// resizable reads which other sizes the large regions of a function can have (Linux
// Documentation/ABI/testing/sysfs-bus-pci, resourceN_resize); many have one alone.
func resizable(p place, f *facts.Function) {
	for i := range f.BARs {
		bar := &f.BARs[i]
		if bar.IO || bar.SizeBytes < resizedFrom {
			continue
		}
		// Nothing is decided by it, so what it says in another form is no gap.
		text, _ := p.line(fmt.Sprintf("resource%d_resize", bar.Index))
		bar.Sizes, _ = strconv.ParseUint(text, 16, 64)
	}
}

// region reads one line. A region without an address yet (unset), or of no
// size, is not used: it has size 0 here.
func region(line string) (bar facts.BAR, flags uint64, err error) {
	var values [3]uint64
	fields := strings.Fields(line)
	for i := range values {
		if len(fields) != len(values) {
			return bar, 0, unexpected(line)
		}
		if values[i], err = strconv.ParseUint(fields[i], 0, 64); err != nil {
			return bar, 0, unexpected(line)
		}
	}
	start, end, flags := values[0], values[1], values[2]
	if end <= start || flags&regionUnset != 0 {
		return bar, flags, nil
	}
	return facts.BAR{Start: start, SizeBytes: end - start + 1, IO: flags&regionIO != 0,
		Wide: flags&(regionIO|regionWide) == regionWide, Prefetch: flags&(regionIO|regionPrefetch) == regionPrefetch}, flags, nil
}
