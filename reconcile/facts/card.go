package facts

import (
	"net/netip"
	"slices"
	"strings"
)

// Interface is a network interface that a function provides, or something below
// it: what a virtio or USB device shows too. Where a comment names a file without
// its folder, that is below /sys/class/net/NAME. One whose flags cannot be read
// counts as up: unknown means in use.
type Interface struct {
	Name      string   `json:"name"`                        // "eth0"
	Up        bool     `json:"up"`                          // IFF_UP of flags: somebody has configured it
	Addresses []string `json:"addresses,omitempty"`         // with the length of the prefix, "192.0.2.7/24": /proc/net/if_inet6, and /proc/net/fib_trie by the networks of /proc/net/route; empty: none that these tell to be its
	Passing   []string `json:"passing_addresses,omitempty"` // those of them that it has for a time only: flags of /proc/net/if_inet6 without IFA_F_PERMANENT; of those of IPv4 nobody tells
	Default   bool     `json:"default_route,omitempty"`     // a default route goes out here: /proc/net/route, /proc/net/ipv6_route
	Routes    []string `json:"routes,omitempty"`            // others that go by a gateway, "198.51.100.0/24 via 192.0.2.1": there, but for those that a router told
	Built     []Built  `json:"built,omitempty"`             // what is built on it, at any depth: upper_NAME and master, links
}

// Built is a network interface that is built on another one.
type Built struct {
	Name      string   `json:"name"`                    // "br0"
	On        string   `json:"on"`                      // which one it is built on
	Kind      string   `json:"kind,omitempty"`          // uevent, DEVTYPE: "bridge", "bond", "vlan", "macvlan"; empty: not said
	Addresses []string `json:"addresses,omitempty"`     // as an Interface has
	Default   bool     `json:"default_route,omitempty"` // likewise
}

// Session is a connection over which somebody is logged in on the host, as far as
// it shows which way it comes: by its own address, SSH_CONNECTION of the process
// that looked, and connections of sshd in /proc/net/tcp and tcp6.
type Session struct {
	Address string `json:"address"` // of the host, "192.0.2.7"
	Who     string `json:"who"`     // "sshd (pid 77)", "the one of this call"
}

// GapInterfaces is the fact of a gap that says why not everything is known of the
// network interfaces of a function.
const GapInterfaces = "network_interfaces"

// network adds the network interfaces of a function, what is built on them, which
// guests have that, and who is logged in over it.
func (w *usesWalk) network(f *Function) {
	for i := range f.Interfaces {
		card := &f.Interfaces[i]
		chains := map[string][]string{card.Name: {f.Address.String(), card.Name}}
		if card.Up || card.Default || len(card.Addresses) > 0 {
			w.add(Use{Kind: UseNetwork, User: card.Name, Chain: itself(f), Live: true, More: carries("", card.Addresses, card.Default)})
		}
		w.sessions(card.Addresses, card.Up, chains[card.Name])
		for _, b := range card.Built {
			on := chains[b.On]
			if on == nil {
				on = chains[card.Name]
			}
			w.add(Use{Kind: UseNetwork, User: b.Name, Chain: on, Live: true, More: carries(b.Kind, b.Addresses, b.Default)})
			chains[b.Name] = append(on[:len(on):len(on)], b.Name)
			w.sessions(b.Addresses, false, chains[b.Name])
			for _, use := range w.ix.carried[b.Name] {
				w.add(Use{Kind: UseGuest, User: use.user, Chain: append(chains[b.Name], use.what), Live: use.live})
			}
		}
	}
	if gap := f.Gap(GapInterfaces); gap != nil && gap.Fact != GapAll {
		w.add(Use{Kind: UseNetwork, User: "that is not seen, maybe", Chain: itself(f), Live: true, More: gap.Reason})
	}
}

// Carries says what goes over the interface itself, but for addresses that it has for a
// time only; empty: nothing that is known.
func (i Interface) Carries() string {
	lasting := slices.DeleteFunc(slices.Clone(i.Addresses), func(a string) bool { return slices.Contains(i.Passing, a) })
	return carries("", lasting, i.Default)
}

// carries says what goes over an interface; empty: nothing that is known.
func carries(kind string, addresses []string, gateway bool) string {
	var list []string
	if kind != "" {
		list = append(list, kind)
	}
	for _, a := range addresses {
		if prefix, err := netip.ParsePrefix(a); err != nil || !prefix.Addr().IsLinkLocalUnicast() { // every one that is up has such
			list = append(list, a)
		}
	}
	if gateway {
		list = append(list, "default route")
	}
	return strings.Join(list, ", ")
}

// sessions adds those that come over an interface by its addresses; over one that is
// up also those of which nobody can say over which they come.
func (w *usesWalk) sessions(addresses []string, up bool, chain []string) {
	for _, s := range w.ix.Survey.Sessions {
		at, err := netip.ParseAddr(s.Address)
		how := ", which comes over "
		switch {
		case slices.ContainsFunc(addresses, func(a string) bool { return err == nil && holds(a, at) }):
		case up && !w.ix.placed(at) && !at.IsLoopback():
			how = ", which may come over it, by "
		default:
			continue
		}
		w.add(Use{Kind: UseSession, User: s.Who + how + s.Address, Chain: chain, Live: true})
	}
}

// holds tells whether an address with the length of its prefix is that one.
func holds(prefix string, at netip.Addr) bool {
	p, err := netip.ParsePrefix(prefix)
	return err == nil && p.Addr() == at.Unmap().WithZone("")
}

// placed tells whether the survey shows an interface that has an address.
func (ix *Index) placed(at netip.Addr) bool {
	has := func(list []string) bool {
		return slices.ContainsFunc(list, func(a string) bool { return holds(a, at) })
	}
	for i := range ix.Survey.Functions {
		for _, card := range ix.Survey.Functions[i].Interfaces {
			if has(card.Addresses) || slices.ContainsFunc(card.Built, func(b Built) bool { return has(b.Addresses) }) {
				return true
			}
		}
	}
	return false
}
