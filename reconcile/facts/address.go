package facts

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
)

// Address is where a PCI function sits: segment, bus, slot, function. It says
// nothing of what the function is, and moves when cards are added.
type Address struct {
	Segment  uint16
	Bus      uint8
	Slot     uint8 // 0 to 31
	Function uint8 // 0 to 7
}

// Slotmates gives every address of its slot, its own among them, by function number.
func (a Address) Slotmates() [8]Address {
	var all [8]Address
	for n := range all {
		all[n] = a
		all[n].Function = uint8(n)
	}
	return all
}

// ParseAddress reads the form that the kernel prints, 0000:01:00.0: four, two,
// two and one hexadecimal digits (Linux drivers/pci, "%04x:%02x:%02x.%d").
func ParseAddress(text string) (Address, error) {
	bad := func() (Address, error) {
		return Address{}, fmt.Errorf("read PCI address %q: want the form 0000:01:00.0", text)
	}
	if len(text) != 12 || text[4] != ':' || text[7] != ':' || text[10] != '.' {
		return bad()
	}
	segment, err1 := strconv.ParseUint(text[0:4], 16, 16)
	bus, err2 := strconv.ParseUint(text[5:7], 16, 8)
	slot, err3 := strconv.ParseUint(text[8:10], 16, 8)
	function, err4 := strconv.ParseUint(text[11:12], 8, 8)
	if err := cmp.Or(err1, err2, err3, err4); err != nil || slot > 31 {
		return bad()
	}
	return Address{uint16(segment), uint8(bus), uint8(slot), uint8(function)}, nil
}

// NearestFunction gives the PCI function that a device's real path below /sys
// leads through last; nil for none. Addresses of more than four digits of
// segment (behind a VMD controller) are no addresses of ours: there it is the
// controller above, with which they go.
func NearestFunction(dir string) *Address {
	var nearest *Address
	for element := range strings.SplitSeq(dir, "/") {
		if at, err := ParseAddress(element); err == nil {
			nearest = &at
		}
	}
	return nearest
}

// String gives the form that ParseAddress reads.
func (a Address) String() string {
	return fmt.Sprintf("%04x:%02x:%02x.%x", a.Segment, a.Bus, a.Slot, a.Function)
}

// MarshalText writes the address as String does.
func (a Address) MarshalText() ([]byte, error) { return []byte(a.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (a *Address) UnmarshalText(text []byte) error {
	parsed, err := ParseAddress(string(text))
	*a = parsed
	return err
}

// Compare orders addresses as lspci lists them.
func (a Address) Compare(b Address) int {
	return cmp.Or(cmp.Compare(a.Segment, b.Segment), cmp.Compare(a.Bus, b.Bus),
		cmp.Compare(a.Slot, b.Slot), cmp.Compare(a.Function, b.Function))
}

// Devno is the kernel's number of a block device. Names move and are reused;
// the number is what mounts and holders mean. Zero: not known, or it has none.
type Devno struct {
	Major uint32
	Minor uint32
}

// Known tells whether the number is known: no block device has the zero one (Linux
// Documentation/admin-guide/devices.txt: 0 is unnamed devices). Two that are not
// known are not the same.
func (d Devno) Known() bool { return d != Devno{} }

// ParseDevno reads major:minor in decimal, as /sys and mountinfo print it.
func ParseDevno(text string) (Devno, error) {
	for i := range text {
		if text[i] != ':' {
			continue
		}
		major, err1 := strconv.ParseUint(text[:i], 10, 32)
		minor, err2 := strconv.ParseUint(text[i+1:], 10, 32)
		if cmp.Or(err1, err2) == nil {
			return Devno{uint32(major), uint32(minor)}, nil
		}
		break
	}
	return Devno{}, fmt.Errorf("read device number %q: want the form 259:0", text)
}

// String gives the form that ParseDevno reads.
func (d Devno) String() string { return fmt.Sprintf("%d:%d", d.Major, d.Minor) }

// MarshalText writes the number as String does.
func (d Devno) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (d *Devno) UnmarshalText(text []byte) error {
	parsed, err := ParseDevno(string(text))
	*d = parsed
	return err
}
