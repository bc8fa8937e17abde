package definition

import (
	"fmt"
	"slices"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// device is a <hostdev> that lends a PCI function.
type device struct {
	*etree.Element
	address facts.Address
	record  *facts.Identity // lendkeep's note of what sits there, if any
	keep    bool            // it is of a controller that the guest borrows
	told    bool            // that it is lent from here on, or no longer, has been said
}

// NoteBroughtUp is the change that is lendkeep's note of what a guest borrows and
// nothing else: what the guest has stays.
const NoteBroughtUp = "note of what is borrowed brought up to date"

// borrows makes the guest's devices and lendkeep's records of them be those
// that are wanted.
func (e *edit) borrows() error {
	var now facts.Definition
	if err := readRecords(e.guest, &now); err != nil {
		return err
	}
	devices, err := e.lentDevices(now.Identities)
	if err != nil {
		return err
	}
	lent := e.match(devices, now.Identities)
	for _, d := range devices {
		if !d.keep && e.ours(d) {
			drop(d.Element)
			e.say("no longer borrows %s", e.titleOf(d))
			d.told = true
		}
	}
	var boots *etree.Element
	var wanted []facts.Identity
	for i, b := range e.wanted.Borrows {
		if err := e.otherwise(b.Identity); err != nil {
			return err
		}
		for n, at := range b.Identity.Addresses() {
			lent[i][n] = e.lend(lent[i][n], b.Identity, at)
		}
		e.optionROM(lent[i][0], b)
		if err := e.oneSlot(lent[i], b.Identity); err != nil {
			return err
		}
		if b.Boots {
			boots = lent[i][0].Element
		}
		wanted = append(wanted, b.Identity)
	}
	changed, err := setRecords(e.guest, wanted)
	if err != nil {
		return err
	}
	if changed && !allTold(now.Identities, wanted, append(devices, slices.Concat(lent...)...)) {
		e.say(NoteBroughtUp)
	}
	if shim := e.shimDisk(); shim != nil {
		return e.bootsFrom(shim, boots)
	}
	if boots == nil {
		return nil
	}
	return e.bootsFrom(boots)
}

// allTold tells whether each change of the note has been said with the device
// that it speaks of.
func allTold(was, wanted []facts.Identity, devices []*device) bool {
	silent := func(r facts.Identity, others []facts.Identity) bool {
		return !slices.Contains(others, r) && !slices.ContainsFunc(devices, func(d *device) bool {
			return d.told && (r.Has(d.address) || d.record != nil && sameController(*d.record, r))
		})
	}
	return !slices.ContainsFunc(wanted, func(r facts.Identity) bool { return silent(r, was) }) &&
		!slices.ContainsFunc(was, func(r facts.Identity) bool { return silent(r, wanted) })
}

// lentDevices lists the PCI devices with the record that belongs to each.
func (e *edit) lentDevices(records []facts.Identity) ([]*device, error) {
	var list []*device
	for _, el := range children(e.devices(), "hostdev") {
		if !holdsPCI(el) {
			continue
		}
		address, err := addressOf(at(el, "source", "address"))
		if err != nil {
			return nil, fmt.Errorf("<hostdev>: %w", err)
		}
		d := &device{Element: el, address: address}
		if i := slices.IndexFunc(records, func(r facts.Identity) bool { return r.Has(address) }); i >= 0 {
			d.record = &records[i]
		}
		list = append(list, d)
	}
	return list, nil
}

// match finds the device of each function of each controller that is borrowed: the
// one noted for it, wherever that points by now, else the one at its present address
// that is not noted for another. Notes go first for all, since two controllers
// may have changed places.
func (e *edit) match(devices []*device, records []facts.Identity) [][]*device {
	lent := make([][]*device, len(e.wanted.Borrows))
	claim := func(d **device, fits func(*device) bool) {
		if *d != nil {
			return
		}
		if at := slices.IndexFunc(devices, func(d *device) bool { return !d.keep && fits(d) }); at >= 0 {
			*d, devices[at].keep = devices[at], true
		}
	}
	for i, b := range e.wanted.Borrows {
		lent[i] = make([]*device, len(b.Identity.Addresses()))
		for n, at := range b.Identity.Addresses() {
			claim(&lent[i][n], func(d *device) bool {
				return d.record != nil && sameController(*d.record, b.Identity) && (!b.Identity.Whole() || d.address.Function == at.Function)
			})
		}
	}
	for i, b := range e.wanted.Borrows {
		for n, at := range b.Identity.Addresses() {
			claim(&lent[i][n], func(d *device) bool { return d.record == nil && d.address == at })
		}
	}
	return lent
}

// sameController tells whether two records mean the same thing: by serial
// where there is one, else by name and kind.
func sameController(a, b facts.Identity) bool {
	if a.Serial != "" || b.Serial != "" {
		return a.Serial == b.Serial && (a.Model == b.Model || a.Model == "" || b.Model == "")
	}
	return a.Controller == b.Controller && a.Vendor == b.Vendor && a.Device == b.Device
}

// ours tells whether a device is lendkeep's to remove: noted by it, of a
// controller that the layout knows, or a second one of what is borrowed.
func (e *edit) ours(d *device) bool {
	return d.record != nil ||
		slices.ContainsFunc(e.wanted.Known, func(r facts.Identity) bool { return r.Has(d.address) }) ||
		slices.ContainsFunc(e.wanted.Borrows, func(b Borrowed) bool { return b.Identity.Has(d.address) })
}

func (e *edit) titleOf(d *device) string {
	if d.record != nil {
		return titleAt(*d.record, d.address) + " at " + d.address.String()
	}
	for _, r := range e.wanted.Known {
		if r.Has(d.address) {
			return titleAt(r, d.address) + " at " + d.address.String()
		}
	}
	return "the device at " + d.address.String()
}

// otherwise refuses to lend what the guest has in another form: as a network
// card, or as a drive that QEMU drives by itself.
func (e *edit) otherwise(r facts.Identity) error {
	for _, el := range devicesOf(e.guest) {
		if el.Tag == "hostdev" || !holdsPCI(el) {
			continue
		}
		address, err := addressOf(at(el, "source", "address"))
		if err != nil {
			return fmt.Errorf("<%s>: %w", el.Tag, err)
		}
		if r.Has(address) {
			return fmt.Errorf("it has %s at %s already, as a <%s type='%s'>; remove that by hand", title(r), address, el.Tag, attr(el, "type"))
		}
	}
	return nil
}

// lend makes a device lend the function that is wanted; what else the
// definition says of the device, the guest's side of it above all, stays.
func (e *edit) lend(d *device, r facts.Identity, at facts.Address) *device {
	what := titleAt(r, at)
	if d == nil {
		d = &device{address: at, told: true, Element: with(
			element("hostdev", "mode", "subsystem", "type", "pci", "managed", "yes"),
			element("driver", "name", "vfio"),
			with(element("source"), element("address", addressAttrs(at)...)),
		)}
		add(e.devices(), d.Element, deviceSequence)
		e.say("borrows %s at %s", what, at)
		return d
	}
	if d.address != at {
		to := child(child(d.Element, "source"), "address")
		for pairs := addressAttrs(at); len(pairs) > 0; pairs = pairs[2:] {
			to.CreateAttr(pairs[0], pairs[1])
		}
		e.say("borrows %s at %s instead of %s", what, at, d.address)
		d.told = true
	}
	if set(d.Element, "managed", "yes") {
		e.say("libvirt rebinds the driver of %s by itself (managed)", what)
	}
	return d
}

// addressAttrs gives a PCI address as libvirt prints it (libvirt 9.0
// src/conf/device_conf.c, virPCIDeviceAddressFormat).
func addressAttrs(a facts.Address) []string {
	return []string{
		"domain", fmt.Sprintf("0x%04x", a.Segment), "bus", fmt.Sprintf("0x%02x", a.Bus),
		"slot", fmt.Sprintf("0x%02x", a.Slot), "function", fmt.Sprintf("0x%x", a.Function),
	}
}
