package facts

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"lendkeep/spec/pci"
)

// Make says what a PCI function is by the numbers that its maker gave it (PCI Local
// Bus Specification 3.0, 6.2.1 and 6.2.4). Subsystem numbers of 0 were not said.
type Make struct {
	Vendor, Device                   pci.ID
	SubsystemVendor, SubsystemDevice pci.ID
}

// Make gives what the function is.
func (f Function) Make() Make {
	return Make{f.Vendor, f.Device, f.SubsystemVendor, f.SubsystemDevice}
}

// String gives VENDOR:DEVICE, and /VENDOR:DEVICE of the subsystem where it has one.
func (m Make) String() string {
	if m.SubsystemVendor == 0 && m.SubsystemDevice == 0 {
		return m.Kind()
	}
	return fmt.Sprintf("%s/%s:%s", m.Kind(), m.SubsystemVendor, m.SubsystemDevice)
}

// Kind gives VENDOR:DEVICE, as lspci -n prints it.
func (m Make) Kind() string { return m.Vendor.String() + ":" + m.Device.String() }

func parseMake(text string) (m Make, err error) {
	kind, subsystem, both := strings.Cut(text, "/")
	if m.Vendor, m.Device, err = parseKind(kind); err == nil && both {
		m.SubsystemVendor, m.SubsystemDevice, err = parseKind(subsystem)
	}
	if err == nil && m == (Make{}) {
		err = fmt.Errorf("%q is no function", text)
	}
	return m, err
}

func parseKind(text string) (vendor, device pci.ID, err error) {
	if len(text) != 9 || text[4] != ':' {
		return 0, 0, fmt.Errorf("%q is not of the form 8086:10d3", text)
	}
	v, err1 := strconv.ParseUint(text[:4], 16, 16)
	d, err2 := strconv.ParseUint(text[5:], 16, 16)
	if err1 != nil || err2 != nil {
		return 0, 0, fmt.Errorf("%q is not of the form 8086:10d3", text)
	}
	return pci.ID(v), pci.ID(d), nil
}

// Makes is what the functions of one slot are, by their numbers; the zero Make: none
// has that number. The zero Makes is that of a controller which is one function,
// whatever else is in its slot.
type Makes [8]Make

// MakesOf gives what functions of one slot are.
func MakesOf(functions []*Function) Makes {
	var all Makes
	for _, f := range functions {
		all[f.Address.Function] = f.Make()
	}
	return all
}

// String gives 0=10de:2484/1043:8790 1=10de:228b/1043:8790, by number.
func (m Makes) String() string {
	var list []string
	for n, one := range m {
		if one != (Make{}) {
			list = append(list, fmt.Sprintf("%d=%s", n, one))
		}
	}
	return strings.Join(list, " ")
}

// MarshalText writes them as String does.
func (m Makes) MarshalText() ([]byte, error) { return []byte(m.String()), nil }

// UnmarshalText reads what MarshalText wrote, and nothing else: there is one text
// for the same functions.
func (m *Makes) UnmarshalText(text []byte) error {
	var read Makes
	for one := range strings.FieldsSeq(string(text)) {
		number, made, _ := strings.Cut(one, "=")
		n, err := strconv.ParseUint(number, 8, 3)
		if err == nil {
			read[n], err = parseMake(made)
		}
		if err != nil {
			return fmt.Errorf("read functions %.80q: %w", text, err)
		}
	}
	if read.String() != string(text) {
		return fmt.Errorf("read functions %.80q: want the form 0=10de:2484/1043:8790 1=10de:228b/1043:8790", text)
	}
	*m = read
	return nil
}

// Whole tells whether the controller is all functions of its slot.
func (r Identity) Whole() bool { return r.Functions != Makes{} }

// Addresses gives where the controller's functions are: one, or those of its slot
// by their numbers.
func (r Identity) Addresses() []Address {
	if !r.Whole() {
		return []Address{r.Address}
	}
	var list []Address
	for n, one := range r.Functions {
		if one != (Make{}) {
			at := r.Address
			at.Function = uint8(n)
			list = append(list, at)
		}
	}
	return list
}

// Has tells whether the function at an address is the controller's.
func (r Identity) Has(at Address) bool { return slices.Contains(r.Addresses(), at) }

// At gives the record of the same controller at another place.
func (r Identity) At(at Address) Identity {
	r.Address = at
	return r
}

// Physical gives the functions that sit in the slot of an address, by number,
// without the virtual ones that others have made.
func (ix *Index) Physical(at Address) []*Function {
	var list []*Function
	for _, mate := range at.Slotmates() {
		if f := ix.functions[mate]; f != nil && f.Parent == nil {
			list = append(list, f)
		}
	}
	return list
}

// Parts gives the functions of the host that a controller is, by number; those that
// are not there are left out.
func (ix *Index) Parts(r Identity) []*Function {
	var list []*Function
	for _, at := range r.Addresses() {
		if f := ix.functions[at]; f != nil {
			list = append(list, f)
		}
	}
	return list
}

// Unlike says in words how what is in a slot differs from the functions that a
// record has of it; empty: in nothing. One that is missing or there besides, and one
// of which it cannot be told what it is, differ.
func (ix *Index) Unlike(r Identity) string {
	var there Makes
	for _, f := range ix.Physical(r.Address) {
		for _, fact := range []string{"vendor", "device", "subsystem_vendor", "subsystem_device", "parent"} {
			if gap := f.Gap(fact); gap != nil {
				return fmt.Sprintf("the %s of %s is not known: %s: %s", gap.Fact, f.Address, gap.Path, gap.Reason)
			}
		}
		there[f.Address.Function] = f.Make()
	}
	for n, meant := range r.Functions {
		at := r.Address
		at.Function = uint8(n)
		switch is := there[n]; {
		case is == meant:
		case is == Make{}:
			return fmt.Sprintf("nothing is at %s, where %s belongs to it", at, meant)
		case meant == Make{}:
			return fmt.Sprintf("%s at %s is not among its functions", is, at)
		default:
			return fmt.Sprintf("%s is at %s, where %s belongs to it", is, at, meant)
		}
	}
	return ""
}

// whereWhole is Where of a controller that is all functions of its slot: lent or
// aside as soon as one of them is, since it can be lent or used only as a whole.
func (ix *Index) whereWhole(r Identity) (Whereabouts, *Function, *Guest) {
	if ix.Unlike(r) != "" {
		return Gone, nil, nil
	}
	parts := ix.Parts(r)
	place := Home
	for _, f := range parts {
		if !f.OnVFIO() {
			continue
		}
		if holder := ix.Holder(f.Address); holder != nil {
			return Lent, parts[0], holder
		}
		place = Aside
	}
	return place, parts[0], nil
}

// UsesOf gives every use of a controller's functions.
func (ix *Index) UsesOf(r Identity) []Use {
	var list []Use
	for _, at := range r.Addresses() {
		list = append(list, ix.Uses(at)...)
	}
	return list
}

// LiveUsesOf gives those that are going on now.
func (ix *Index) LiveUsesOf(r Identity) []Use {
	return slices.DeleteFunc(ix.UsesOf(r), func(u Use) bool { return !u.Live })
}

// UnaskedOf is Unasked of a controller's functions, the first that has an answer.
func (ix *Index) UnaskedOf(r Identity) string {
	for _, at := range r.Addresses() {
		if why := ix.Unasked(at); why != "" {
			return why
		}
	}
	return ""
}
