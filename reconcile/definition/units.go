package definition

import (
	"fmt"
	"math"
	"math/bits"
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
