package guard

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// Card is a network interface of a function, with what the host's configuration gave
// it when it was last seen with any: before a lend it has nothing of that any more.
type Card struct {
	Name      string   `json:"name"`
	Up        bool     `json:"up,omitempty"`
	Addresses []string `json:"addresses,omitempty"` // with the length of the prefix; but for those that every link has, or that are for a time only
	Default   bool     `json:"default_route,omitempty"`
	Routes    []string `json:"routes,omitempty"` // facts.Interface.Routes
	Built     []string `json:"built,omitempty"`  // what was built on it, "br0"; but for what guests get
}

func cardOf(i facts.Interface) Card {
	card := Card{Name: i.Name, Up: i.Up, Default: i.Default, Routes: i.Routes}
	for _, a := range i.Addresses {
		if prefix, err := netip.ParsePrefix(a); !slices.Contains(i.Passing, a) && (err != nil || !prefix.Addr().IsLinkLocalUnicast()) {
			card.Addresses = append(card.Addresses, a)
		}
	}
	for _, b := range i.Built {
		if b.On == i.Name && b.Kind != "macvlan" && b.Kind != "macvtap" { // libvirt makes those as guests start
			card.Built = append(card.Built, b.Name)
		}
	}
	return card
}

// configured tells whether somebody had given it anything.
func (c Card) configured() bool {
	return c.Up || c.Default || len(c.Addresses)+len(c.Routes)+len(c.Built) > 0
}

// has gives in words what an interface has besides being up, but for what another one
// has too.
func (c Card) has(but Card) []string {
	list := without(c.Addresses, but.Addresses)
	if c.Default && !but.Default {
		list = append(list, "default route")
	}
	for _, route := range without(c.Routes, but.Routes) {
		list = append(list, "route "+route)
	}
	return append(list, without(c.Built, but.Built)...)
}

// words tells what was given to an interface.
func (c Card) words() string {
	text := c.Name + " up"
	if !c.Up {
		text = c.Name
	}
	if has := c.has(Card{}); len(has) > 0 {
		text += " with " + strings.Join(has, " and ")
	}
	return text + " by the host's own configuration"
}

func names(cards []Card) []string {
	var list []string
	for _, card := range cards {
		list = append(list, card.Name)
	}
	return list
}

// Recall takes over what interfaces had of the host's configuration that have nothing
// of it now.
func (c *Controller) Recall(before Controller) {
	c.cards(before, func(now, was Card) bool { return !now.configured() })
}

// Renew takes over what interfaces had when they were seen with anything since.
func (c *Controller) Renew(since Controller) {
	c.cards(since, func(_, other Card) bool { return other.configured() })
}

// cards takes interfaces over from another record of the controller, where wanted.
func (c *Controller) cards(from Controller, wanted func(own, other Card) bool) {
	c.Shown = slices.Clone(c.Shown)
	for i := range c.Shown {
		s := &c.Shown[i]
		s.Interfaces = slices.Clone(s.Interfaces)
		for n, card := range s.Interfaces {
			if other := from.card(*s, card.Name); other != nil && wanted(card, *other) {
				s.Interfaces[n] = *other
			}
		}
	}
}

// card gives the interface of that name of a function with the same driver; nil:
// there was none.
func (c Controller) card(of Shown, name string) *Card {
	for _, s := range c.Shown {
		if s.Function != of.Function || s.Driver != of.Driver {
			continue
		}
		if i := slices.IndexFunc(s.Interfaces, func(card Card) bool { return card.Name == name }); i >= 0 {
			return &s.Interfaces[i]
		}
	}
	return nil
}

// configuration compares what the host's own configuration has given to an interface.
// The kernel brings one back down, without addresses, routes, and the bridge that it
// was in (measured with Linux 6.1), and lendkeep restores nothing of it: the host's
// configuration does, or a person.
func (r *Return) configuration(c *Controller, part string, f *facts.Function, before, now Card) {
	what := fmt.Sprintf("network interface %s of %s", now.Name, part)
	lacks := ""
	if list := before.has(now); len(list) > 0 {
		lacks = ", without " + strings.Join(list, ", ") + " that it had"
	}
	down := "is down"
	if now.Up {
		down = "is up"
	}
	switch gap := f.Gap(facts.GapInterfaces); {
	case gap != nil && before.configured():
		r.own(c, "whether %s is as it was is not known: %s: %s", what, gap.Path, gap.Reason)
	case before.Up && !now.Up || lacks != "":
		r.own(c, "%s %s%s; %s", what, down, lacks, setUp(now.Name))
	case !now.Up && !before.configured():
		r.Left = append(r.Left, fmt.Sprintf("%s is down, and the rules have never seen it otherwise; if the host is to have it: %s", what, setUp(now.Name)))
	}
}

// setUp says by what an interface gets what the host's configuration has for it:
// which of these the host has is not known (systemd-networkd, ifupdown and
// NetworkManager; networkctl(1), ifup(8), nmcli(1), ip-link(8)).
func setUp(name string) string {
	name = plain.Quoted(name)
	return fmt.Sprintf("networkctl reconfigure %[1]s, ifup %[1]s or nmcli device connect %[1]s, whichever the host's network is set up by; by hand: ip link set %[1]s up, ip address add, ip route add", name)
}

// own waits for what the host's own configuration has to set up.
func (r *Return) own(c *Controller, format string, values ...any) {
	r.Wait = append(r.Wait, Missing{c.Identity, c.Within, false, true, fmt.Sprintf(format, values...)})
}
