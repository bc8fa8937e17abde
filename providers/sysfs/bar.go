package sysfs

import (
	"errors"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
)

// Flags of a region in the file resource (Linux include/linux/ioport.h).
const (
	regionIO    = 0x00000100
	regionUnset = 0x20000000
)

// bars reads the file resource: a line of start, end and flags for each region,
// the base address registers first.
func bars(p place) []facts.BAR {
	content, err := p.read(p.dir + "/resource")
	if err != nil {
		p.gap("bars", "resource", err)
		return nil
	}
	var list []facts.BAR
	lines := strings.Split(string(content), "\n")
	for i := range 6 {
		if i >= len(lines)-1 {
			p.gap("bars", "resource", errors.New("it has fewer than six lines"))
			return list
		}
		bar, used, err := region(lines[i])
		if err != nil {
			p.gap("bars", "resource", err)
			return list
		}
		if bar.Index = i; used {
			list = append(list, bar)
		}
	}
	return list
}

// region reads one line. A region without an address yet (unset), or of no
// size, is not used.
func region(line string) (bar facts.BAR, used bool, err error) {
	var values [3]uint64
	fields := strings.Fields(line)
	for i := range values {
		if len(fields) != len(values) {
			return bar, false, unexpected(line)
		}
		if values[i], err = strconv.ParseUint(fields[i], 0, 64); err != nil {
			return bar, false, unexpected(line)
		}
	}
	start, end, flags := values[0], values[1], values[2]
	used = end > start && flags&regionUnset == 0
	return facts.BAR{Start: start, SizeBytes: end - start + 1, IO: flags&regionIO != 0}, used, nil
}
