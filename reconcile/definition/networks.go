package definition

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/beevik/etree"
)

// networks makes the guest have every network card that is stated. A card is
// known by its mark, else by its MAC address, else by where it leads; what
// else the guest has stays.
func (e *edit) networks() error {
	had := children(e.devices(), "interface")
	wanted := e.wanted.Networks
	found := make([]*etree.Element, len(wanted))
	there := func(n Network, el *etree.Element) bool { return !marked(el) && whereTo(el) == n.whereTo() }
	claim(found, had, wanted, func(n Network, el *etree.Element) bool { return aliasOf(el) == mark(networkMark, n.Name) })
	claim(found, had, wanted, func(n Network, el *etree.Element) bool {
		return !marked(el) && n.MAC != "" && sameMAC(macOf(el), n.MAC)
	})
	claim(found, had, wanted, func(n Network, el *etree.Element) bool {
		return there(n, el) && aliasOf(el) == mark(oldNetworkMark, n.Name)
	})
	claim(found, had, wanted, there)
	for i, n := range wanted {
		if found[i] != nil {
			if err := e.oldNetwork(found[i], n); err != nil {
				return err
			}
			continue
		}
		if err := doubted("network "+n.Name, had, found, mark(oldNetworkMark, n.Name), mark(networkMark, n.Name)); err != nil {
			return err
		}
		e.newNetwork(n)
	}
	return nil
}

func macOf(el *etree.Element) string { return attr(child(el, "mac"), "address") }

func sameMAC(a, b string) bool { return strings.EqualFold(a, b) }

// whereTo tells where a card leads: "bridge br0", "network default".
func whereTo(el *etree.Element) string {
	kind := attr(el, "type")
	return kind + " " + attr(child(el, "source"), kind)
}

func (n Network) whereTo() string {
	if n.Bridge != "" {
		return "bridge " + n.Bridge
	}
	return "network " + n.Network
}

func (n Network) kind() string {
	kind, _, _ := strings.Cut(n.whereTo(), " ")
	return kind
}

func (n Network) source() *etree.Element {
	return element("source", n.kind(), cmp.Or(n.Bridge, n.Network))
}

func (e *edit) newNetwork(n Network) {
	el := element("interface", "type", n.kind())
	if n.MAC != "" {
		el.AddChild(element("mac", "address", strings.ToLower(n.MAC)))
	}
	with(el, n.source(),
		element("model", "type", cmp.Or(n.Model, "virtio")),
		element("alias", "name", mark(networkMark, n.Name)))
	add(e.devices(), el, deviceSequence)
	e.say("network %s: %s", n.Name, n.whereTo())
}

func (e *edit) oldNetwork(el *etree.Element, n Network) error {
	if whereTo(el) != n.whereTo() {
		if err := e.newPlace(el, n); err != nil {
			return err
		}
	}
	if n.MAC != "" && !sameMAC(macOf(el), n.MAC) {
		mac := child(el, "mac")
		if mac == nil {
			mac = element("mac")
			addAfter(el, nil, mac)
		}
		e.say("network %s: MAC address %s instead of %s", n.Name, strings.ToLower(n.MAC), cmp.Or(macOf(el), "none"))
		mac.CreateAttr("address", strings.ToLower(n.MAC))
	}
	if was := attr(child(el, "model"), "type"); n.Model != "" && was != n.Model {
		return e.newModel(el, n)
	}
	return nil
}

// ofAnyPlace is what a network card may say of itself wherever it leads
// (libvirt domain format, "Network interfaces"). The rest speaks of one kind of
// network.
var ofAnyPlace = strings.Fields("@type @trustGuestRxFilters mac source model driver alias boot rom acpi address link mtu bandwidth tune")

// newPlace makes a card lead elsewhere.
func (e *edit) newPlace(el *etree.Element, n Network) error {
	was := whereTo(el)
	if attr(el, "type") != n.kind() {
		if attr(el, "type") == "hostdev" {
			return fmt.Errorf("network %s: its card is a device of the host's (%s); remove that by hand", n.Name, spelled(el))
		}
		for _, a := range el.Attr {
			if !slices.Contains(ofAnyPlace, "@"+a.FullKey()) {
				return fmt.Errorf("network %s: whether %s='%s' can be had on %s is not known; change it by hand", n.Name, a.FullKey(), a.Value, n.whereTo())
			}
		}
		for _, c := range el.ChildElements() {
			if !slices.Contains(ofAnyPlace, c.FullTag()) {
				return fmt.Errorf("network %s: whether %s can be had on %s is not known; change it by hand", n.Name, spelled(c), n.whereTo())
			}
		}
	}
	e.say("network %s: %s instead of %s", n.Name, n.whereTo(), was)
	el.CreateAttr("type", n.kind())
	old := child(el, "source")
	addAfter(el, cmp.Or(old, child(el, "mac")), n.source())
	switch {
	case old == nil:
	case bare(old) && len(old.Attr) == 1:
		drop(old)
	default:
		e.lose("network "+n.Name, old)
	}
	return nil
}

// newModel makes a card another one. What is said of virtio's driver, no other
// card has.
func (e *edit) newModel(el *etree.Element, n Network) error {
	model := child(el, "model")
	e.say("network %s: model %s instead of %s", n.Name, n.Model, cmp.Or(attr(model, "type"), "the default"))
	if model == nil {
		model = element("model")
		addAfter(el, child(el, "source"), model)
	}
	model.CreateAttr("type", n.Model)
	if strings.HasPrefix(n.Model, "virtio") {
		return nil
	}
	if team := child(el, "teaming"); team != nil {
		return fmt.Errorf("network %s: %s needs virtio; change it by hand", n.Name, spelled(team))
	}
	if driver := child(el, "driver"); driver != nil {
		e.lose("network "+n.Name, driver)
	}
	return nil
}
