package definition

import (
	"cmp"
	"strings"

	"github.com/beevik/etree"
)

// networks makes the guest have every network card that is stated. A card is
// known by its mark, else by its MAC address, else by where it leads; what
// else the guest has stays.
func (e *edit) networks() error {
	had := children(e.devices(), "interface")
	found := make([]*etree.Element, len(e.wanted.Networks))
	claim(found, had, e.wanted.Networks, func(n Network, el *etree.Element) bool { return aliasOf(el) == mark(networkMark, n.Name) })
	claim(found, had, e.wanted.Networks, func(n Network, el *etree.Element) bool {
		return !marked(el) && n.MAC != "" && sameMAC(macOf(el), n.MAC)
	})
	claim(found, had, e.wanted.Networks, func(n Network, el *etree.Element) bool { return !marked(el) && whereTo(el) == n.whereTo() })
	for i, n := range e.wanted.Networks {
		if found[i] == nil {
			e.newNetwork(n)
		} else {
			e.oldNetwork(found[i], n)
		}
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

func (e *edit) oldNetwork(el *etree.Element, n Network) {
	if was := whereTo(el); was != n.whereTo() {
		el.CreateAttr("type", n.kind())
		old := child(el, "source")
		addAfter(el, cmp.Or(old, child(el, "mac")), n.source())
		if old != nil {
			drop(old)
		}
		e.say("network %s: %s instead of %s", n.Name, n.whereTo(), was)
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
		model := child(el, "model")
		if model == nil {
			model = element("model")
			addAfter(el, child(el, "source"), model)
		}
		model.CreateAttr("type", n.Model)
		e.say("network %s: model %s instead of %s", n.Name, n.Model, cmp.Or(was, "the default"))
	}
}
