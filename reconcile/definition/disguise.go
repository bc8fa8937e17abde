package definition

import (
	"strings"

	"github.com/beevik/etree"
)

// Disguise makes a definition one of libvirt's test driver's, which judges it
// without a hypervisor, and gives the way back for what libvirt answers.
//
// Only the type has to differ. Back, three things are put right that the test
// driver does and the real ones do not (measured with libvirt 9.0.0): it names
// the host's side of each network card testnetN, and it drops the elements
// that belong to another driver (<qemu:commandline>) with their namespaces.
func Disguise(xml string) (test string, back func(answer string) (string, error), err error) {
	t, err := parse(xml)
	if err != nil {
		return "", nil, err
	}
	kind := attr(t.guest, "type")
	namespaces, extras := foreign(t.guest)
	set(t.guest, "type", "test")
	back = func(answer string) (string, error) {
		t, err := parse(answer)
		if err != nil {
			return "", err
		}
		set(t.guest, "type", kind)
		for _, card := range children(child(t.guest, "devices"), "interface") {
			if target := child(card, "target"); strings.HasPrefix(attr(target, "dev"), "testnet") {
				drop(target)
			}
		}
		restore(t.guest, namespaces, extras)
		return t.String(), nil
	}
	return t.String(), back, nil
}

// foreign gives what a definition holds for one hypervisor alone: the
// namespaces that its root declares and the elements that use them.
func foreign(guest *etree.Element) (namespaces []etree.Attr, extras []*etree.Element) {
	for _, a := range guest.Attr {
		if a.Space == "xmlns" {
			namespaces = append(namespaces, a)
		}
	}
	for e := range guest.ChildElementsSeq() {
		if e.Space != "" {
			extras = append(extras, e.Copy())
		}
	}
	return namespaces, extras
}

// restore adds what the test driver dropped, at the end, where libvirt prints it.
func restore(guest *etree.Element, namespaces []etree.Attr, extras []*etree.Element) {
	for _, a := range namespaces {
		guest.CreateAttr(a.FullKey(), a.Value)
	}
	for _, e := range extras {
		for _, had := range guest.ChildElements() {
			if had.FullTag() == e.FullTag() {
				drop(had)
			}
		}
		all := guest.ChildElements()
		addAfter(guest, all[len(all)-1], strip(e))
	}
}

// strip takes the white space between elements away, since addAfter gives new.
func strip(e *etree.Element) *etree.Element {
	for _, c := range e.ChildElements() {
		strip(c)
	}
	if len(e.ChildElements()) > 0 {
		for i := len(e.Child) - 1; i >= 0; i-- {
			if blank(e.Child[i]) {
				e.RemoveChildAt(i)
			}
		}
	}
	return e
}
