package definition

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"github.com/beevik/etree"
)

// ranked is a device with a place in the boot order.
type ranked struct {
	device *etree.Element
	order  int
}

// bootsFrom gives devices the first places in the boot order. The others keep
// their sequence, and their numbers as far as these still come later; the
// drive alone without a place would lose its own boot entry for good to OVMF.
func (e *edit) bootsFrom(first ...*etree.Element) error {
	others, err := e.bootOrder(first)
	if err != nil {
		return err
	}
	var said []string
	set := func(d *etree.Element, order int, text string) {
		setOrder(d, order)
		said = append(said, text+strconv.Itoa(order))
	}
	if last, good := inSequence(first, others); !good {
		last = len(first)
		for i, d := range first {
			text := "boot order "
			if len(first) > 1 {
				text = nameOf(d) + " has boot order "
			}
			set(d, i+1, text)
		}
		for _, r := range others {
			last = max(r.order, last+1)
			if last != r.order {
				set(r.device, last, nameOf(r.device)+" moves to ")
			}
		}
	}
	// libvirt refuses a definition with both kinds of boot order.
	for _, boot := range children(child(e.guest, "os"), "boot") {
		said = append(said, spelled(boot)+" removed")
		drop(boot)
	}
	if len(said) > 0 {
		e.say("starts from %s: %s", e.bootController(), strings.Join(said, ", "))
	}
	return nil
}

// inSequence tells whether devices have the first places already, one after the
// other, and which the last of these is.
func inSequence(first []*etree.Element, others []ranked) (last int, good bool) {
	for _, d := range first {
		order, _ := orderOf(d) // bootOrder has read it
		if order <= last {
			return 0, false
		}
		last = order
	}
	return last, len(others) == 0 || others[0].order > last
}

// bootOrder gives the devices that have a place, first to last, without some.
func (e *edit) bootOrder(without []*etree.Element) ([]ranked, error) {
	var others []ranked
	for _, d := range devicesOf(e.guest) {
		order, err := orderOf(d)
		if err != nil {
			return nil, err
		}
		if order > 0 && !slices.Contains(without, d) {
			others = append(others, ranked{d, order})
		}
	}
	slices.SortStableFunc(others, func(a, b ranked) int { return cmp.Compare(a.order, b.order) })
	return others, nil
}

func setOrder(device *etree.Element, order int) {
	boot := child(device, "boot")
	if boot == nil {
		boot = element("boot")
		boot.CreateAttr("order", strconv.Itoa(order))
		addEnd(device, boot)
		return
	}
	boot.CreateAttr("order", strconv.Itoa(order))
}

func (e *edit) bootController() string {
	for _, b := range e.wanted.Borrows {
		if b.Boots {
			return b.Identity.Controller
		}
	}
	return ""
}

// nameOf names a device for people.
func nameOf(device *etree.Element) string {
	switch device.FullTag() {
	case "disk":
		return "disk " + attr(child(device, "target"), "dev")
	case "interface":
		return "network card " + attr(child(device, "mac"), "address")
	case "hostdev":
		if address, err := addressOf(at(device, "source", "address")); holdsPCI(device) && err == nil {
			return "the device at " + address.String()
		}
	}
	return "a " + device.FullTag()
}
