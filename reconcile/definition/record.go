package definition

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/pci"
)

// Namespace marks lendkeep's part of a guest's <metadata>. libvirt keeps one
// element of each namespace there and never reads it.
const Namespace = "urn:lendkeep:guest:1"

// noteOf gives lendkeep's element in the metadata, or nil.
func noteOf(guest *etree.Element) *etree.Element {
	metadata := child(guest, "metadata")
	if metadata == nil {
		return nil
	}
	for e := range metadata.ChildElementsSeq() {
		if e.Tag == "guest" && e.NamespaceURI() == Namespace {
			return e
		}
	}
	return nil
}

// borrowsOf gives the elements that hold a record each.
func borrowsOf(note *etree.Element) []*etree.Element {
	if note == nil {
		return nil
	}
	return slices.DeleteFunc(note.ChildElements(), func(e *etree.Element) bool {
		return e.Tag != "borrows" || e.NamespaceURI() != Namespace
	})
}

func readRecords(guest *etree.Element, d *facts.Definition) error {
	for _, e := range borrowsOf(noteOf(guest)) {
		r, err := recordOf(e)
		if err != nil {
			return fmt.Errorf("lendkeep's note in <metadata>: %w", err)
		}
		d.Identities = append(d.Identities, r)
	}
	return nil
}

func recordOf(e *etree.Element) (facts.Identity, error) {
	r := facts.Identity{Controller: attr(e, "controller"), Serial: attr(e, "serial"), Model: attr(e, "model")}
	var err1, err2, err3 error
	r.Address, err1 = facts.ParseAddress(attr(e, "address"))
	r.Vendor, err2 = idOf(e, "vendor")
	r.Device, err3 = idOf(e, "device")
	err := cmp.Or(err1, err2, err3)
	if all := attr(e, "functions"); all != "" && err == nil {
		err = r.Functions.UnmarshalText([]byte(all))
	}
	if err == nil && r.Whole() && r.Addresses()[0] != r.Address {
		err = fmt.Errorf("the functions %s do not begin with that at %s", r.Functions, r.Address)
	}
	if err == nil && attr(e, "virtual") != "" {
		r.Virtual, err = virtualOf(e)
	}
	return r, err
}

// virtualOf reads whose virtual function a record is of.
func virtualOf(e *etree.Element) (facts.VirtualOf, error) {
	v := facts.VirtualOf{Controller: attr(e, "of"), Serial: attr(e, "of-serial"), Model: attr(e, "of-model")}
	number, err1 := strconv.ParseUint(attr(e, "virtual"), 10, 16)
	var err2, err3, err4 error
	v.Address, err2 = facts.ParseAddress(attr(e, "of-address"))
	v.Vendor, err3 = idOf(e, "of-vendor")
	v.Device, err4 = idOf(e, "of-device")
	if err1 != nil {
		err1 = fmt.Errorf("virtual %q is no number of a virtual function", attr(e, "virtual"))
	}
	v.Number = int(number)
	return v, cmp.Or(err1, err2, err3, err4)
}

func idOf(e *etree.Element, name string) (pci.ID, error) {
	number, err := strconv.ParseUint(attr(e, name), 16, 16)
	if err != nil || len(attr(e, name)) != 4 {
		return 0, fmt.Errorf("%s %q is not four hexadecimal digits", name, attr(e, name))
	}
	return pci.ID(number), nil
}

// setRecords makes the note hold exactly these records and tells whether that
// changed anything. Other metadata stays.
func setRecords(guest *etree.Element, wanted []facts.Identity) (bool, error) {
	var now facts.Definition
	if err := readRecords(guest, &now); err != nil {
		return false, err
	}
	if sameRecords(now.Identities, wanted) {
		return false, nil
	}
	note := noteOf(guest)
	for _, e := range borrowsOf(note) {
		drop(e)
	}
	if len(wanted) > 0 && note == nil {
		note = newNote(guest)
	}
	for _, r := range wanted {
		last := borrowsOf(note)
		var before *etree.Element
		if len(last) > 0 {
			before = last[len(last)-1]
		}
		addAfter(note, before, recordElement(note.Space, r))
	}
	if note != nil && bare(note) {
		metadata := note.Parent()
		drop(note)
		dropEmpty(metadata)
	}
	return true, nil
}

// Noted gives a definition whose note has exactly these records.
func Noted(xml string, records []facts.Identity) (string, error) {
	t, err := parse(xml)
	if err != nil {
		return "", err
	}
	if changed, err := setRecords(t.guest, records); err != nil || !changed {
		return xml, err
	}
	return t.String(), nil
}

func sameRecords(a, b []facts.Identity) bool {
	if len(a) != len(b) {
		return false
	}
	return !slices.ContainsFunc(a, func(r facts.Identity) bool { return !slices.Contains(b, r) })
}

func newNote(guest *etree.Element) *etree.Element {
	metadata := child(guest, "metadata")
	if metadata == nil {
		metadata = element("metadata")
		add(guest, metadata, guestSequence)
	}
	note := element("lendkeep:guest", "xmlns:lendkeep", Namespace)
	var last *etree.Element
	if all := metadata.ChildElements(); len(all) > 0 {
		last = all[len(all)-1]
	}
	addAfter(metadata, last, note)
	return note
}

func recordElement(prefix string, r facts.Identity) *etree.Element {
	e := element("borrows", "controller", r.Controller)
	e.Space = prefix
	if r.Serial != "" {
		e.CreateAttr("serial", r.Serial)
	}
	if r.Model != "" {
		e.CreateAttr("model", r.Model)
	}
	e.CreateAttr("address", r.Address.String())
	e.CreateAttr("vendor", r.Vendor.String())
	e.CreateAttr("device", r.Device.String())
	if r.Whole() {
		e.CreateAttr("functions", r.Functions.String())
	}
	if v := r.Virtual; r.IsVirtual() {
		e.CreateAttr("virtual", strconv.Itoa(v.Number))
		e.CreateAttr("of", v.Controller)
		if v.Serial != "" {
			e.CreateAttr("of-serial", v.Serial)
		}
		if v.Model != "" {
			e.CreateAttr("of-model", v.Model)
		}
		e.CreateAttr("of-address", v.Address.String())
		e.CreateAttr("of-vendor", v.Vendor.String())
		e.CreateAttr("of-device", v.Device.String())
	}
	return e
}
