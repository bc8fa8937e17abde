package definition

import (
	"cmp"
	"fmt"
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

// bootsFrom gives a device the first place in the boot order. The others keep
// their sequence, and their numbers as far as these still come later; the
// drive alone without a place would lose its own boot entry for good to OVMF.
func (e *edit) bootsFrom(device *etree.Element) error {
	if device == nil {
		return nil
	}
	first, others, err := e.bootOrder(device)
	if err != nil {
		return err
	}
	var said []string
	if first == 0 || (len(others) > 0 && others[0].order <= first) {
		setOrder(device, 1)
		said = append(said, "boot order 1")
		last := 1
		for _, r := range others {
			last = max(r.order, last+1)
			if last != r.order {
				setOrder(r.device, last)
				said = append(said, fmt.Sprintf("%s moves to %d", nameOf(r.device), last))
			}
		}
	}
	// libvirt refuses a definition with both kinds of boot order.
	for _, boot := range children(child(e.guest, "os"), "boot") {
		said = append(said, fmt.Sprintf("<boot dev='%s'/> removed", attr(boot, "dev")))
		drop(boot)
	}
	if len(said) > 0 {
		e.say("starts from %s: %s", e.bootController(), strings.Join(said, ", "))
	}
	return nil
}

// bootOrder gives a device's own place, 0 for none, and the other devices that
// have one, first to last.
func (e *edit) bootOrder(device *etree.Element) (own int, others []ranked, err error) {
	for _, d := range devicesOf(e.guest) {
		order, err := orderOf(d)
		switch {
		case err != nil:
			return 0, nil, err
		case d == device:
			own = order
		case order > 0:
			others = append(others, ranked{d, order})
		}
	}
	slices.SortStableFunc(others, func(a, b ranked) int { return cmp.Compare(a.order, b.order) })
	return own, others, nil
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
			return b.Record.Controller
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
