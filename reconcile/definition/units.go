package definition

import (
	"fmt"
	"maps"
	"math"
	"math/bits"
	"slices"
	"strconv"
	"strings"

	"github.com/beevik/etree"
)

// bytesOf reads a memory size with its unit as libvirt does (libvirt 9.0
// src/util/virutil.c, virScaleInteger: KiB where nothing is said, a lone
// letter and "iB" are powers of 1024, "B" of 1000, in any case).
func bytesOf(e *etree.Element) (uint64, error) {
	value, err := strconv.ParseUint(text(e), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("<%s> %q is not a whole number", e.Tag, text(e))
	}
	scale, err := scaleOf(attr(e, "unit"))
	if err != nil {
		return 0, fmt.Errorf("<%s>: %w", e.Tag, err)
	}
	high, low := bits.Mul64(value, scale)
	if high != 0 || low > math.MaxInt64 {
		return 0, fmt.Errorf("<%s> %s %s is too large", e.Tag, text(e), attr(e, "unit"))
	}
	return low, nil
}

func scaleOf(unit string) (uint64, error) {
	unit = strings.ToLower(unit)
	switch unit {
	case "":
		return 1024, nil
	case "b", "byte", "bytes":
		return 1, nil
	}
	base := uint64(1024)
	switch unit[1:] {
	case "", "ib":
	case "b":
		base = 1000
	default:
		return 0, fmt.Errorf("unit %q is unknown", unit)
	}
	power := strings.IndexByte("kmgtpe", unit[0])
	if power < 0 {
		return 0, fmt.Errorf("unit %q is unknown", unit)
	}
	scale := base
	for range power {
		scale *= base
	}
	return scale, nil
}

// setBytes writes a memory size as libvirt prints it: in KiB, rounded up.
func setBytes(e *etree.Element, size uint64) {
	e.CreateAttr("unit", "KiB")
	e.SetText(strconv.FormatUint((size+1023)/1024, 10))
}

// size tells a memory size in the largest unit that divides it.
func size(bytes uint64) string {
	for i, unit := range []string{"TiB", "GiB", "MiB", "KiB"} {
		if scale := uint64(1) << (40 - 10*i); bytes >= scale && bytes%scale == 0 {
			return fmt.Sprintf("%d %s", bytes/scale, unit)
		}
	}
	return fmt.Sprintf("%d bytes", bytes)
}

// cpus is a set of the host's CPUs.
type cpus map[int]bool

// maxCPU is the highest CPU number that a set may name (Linux NR_CPUS is at
// most 8192 on x86).
const maxCPU = 8191

// parseCPUs reads a set as libvirt does: numbers, ranges, and ^n, which takes
// one out again (libvirt domain format, <vcpu cpuset>).
func parseCPUs(list string) (cpus, error) {
	set := cpus{}
	if len(list) > 4*maxCPU {
		return nil, fmt.Errorf("a set of CPUs of %d characters is too long", len(list))
	}
	for part := range strings.SplitSeq(list, ",") {
		part, without := strings.CutPrefix(strings.TrimSpace(part), "^")
		from, to, ranged := strings.Cut(part, "-")
		if !ranged {
			to = from
		}
		first, err1 := strconv.ParseUint(from, 10, 16)
		last, err2 := strconv.ParseUint(to, 10, 16)
		if err1 != nil || err2 != nil || first > last || last > maxCPU {
			return nil, fmt.Errorf("%q is not a set of CPUs like 0-3,6", list)
		}
		for n := int(first); n <= int(last); n++ {
			if without {
				delete(set, n)
			} else {
				set[n] = true
			}
		}
	}
	if len(set) == 0 {
		return nil, fmt.Errorf("%q is a set of no CPU", list)
	}
	return set, nil
}

// within tells whether every CPU of c is in others.
func (c cpus) within(others cpus) bool {
	for n := range c {
		if !others[n] {
			return false
		}
	}
	return true
}

// String writes the set as libvirt prints it.
func (c cpus) String() string {
	var parts []string
	for _, n := range slices.Sorted(maps.Keys(c)) {
		if c[n-1] {
			continue
		}
		last := n
		for c[last+1] {
			last++
		}
		if last == n {
			parts = append(parts, strconv.Itoa(n))
		} else {
			parts = append(parts, fmt.Sprintf("%d-%d", n, last))
		}
	}
	return strings.Join(parts, ",")
}
