package sysfs

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"math/bits"
	"net/netip"
	"slices"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
)

// network is which addresses and default routes the interfaces of this network
// namespace have.
type network struct {
	addresses map[string][]string // by interface, with the length of the prefix
	passing   map[string][]string // those that it has for a time only
	gateways  map[string]bool
	routes    map[string][]string // others by a gateway
	gaps      []facts.Gap         // for every interface that is told of
}

// Flags of a route (Linux include/uapi/linux/route.h).
const (
	routeUp      = 1
	routeGateway = 2
	routeReject  = 0x200
	// Of IPv6: told by a router, or by a redirect, or kept for one destination (Linux
	// include/uapi/linux/ipv6_route.h, and RTF_DYNAMIC of route.h).
	routeTold = 0x40000 | 0x1000000 | 0x10
)

// readNetwork reads them. Where a file is missing the kernel does without that
// protocol.
func (s *survey) readNetwork() *network {
	n := &network{addresses: map[string][]string{}, passing: map[string][]string{}, gateways: map[string]bool{}, routes: map[string][]string{}}
	connected := map[netip.Prefix]string{}
	n.lines(s, "proc/net/route", func(fields []string) error { return n.route(fields, connected) })
	n.lines(s, "proc/net/ipv6_route", n.route6)
	n.lines(s, "proc/net/if_inet6", n.address6)
	last := ""
	n.lines(s, "proc/net/fib_trie", func(fields []string) error {
		if len(fields) == 2 && fields[0] == "|--" {
			last = fields[1]
		}
		if len(fields) == 3 && fields[1] == "host" && fields[2] == "LOCAL" {
			return n.address4(last, connected)
		}
		return nil
	})
	for _, list := range []map[string][]string{n.addresses, n.passing, n.routes} {
		for name := range list {
			slices.Sort(list[name])
			list[name] = slices.Compact(list[name])
		}
	}
	return n
}

// lines reads a file; what it says that is not understood is a gap once.
func (n *network) lines(s *survey, name string, take func(fields []string) error) {
	p := place{&s.reader, "", &n.gaps}
	content, err := s.read(name)
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	for line := range strings.Lines(string(content)) {
		if err == nil {
			err = take(strings.Fields(line))
		}
	}
	if err != nil {
		p.gap(facts.GapInterfaces, name, err)
	}
}

// route reads a line of /proc/net/route: Iface Destination Gateway Flags RefCnt
// Use Metric Mask ..., addresses as numbers of this machine's own byte order (Linux
// net/ipv4/fib_trie.c, fib_route_seq_show).
func (n *network) route(fields []string, connected map[netip.Prefix]string) error {
	if len(fields) < 8 || fields[0] == "Iface" {
		return nil
	}
	to, gateway, mask := address4(fields[1]), address4(fields[2]), address4(fields[7])
	flags, err := strconv.ParseUint(fields[3], 16, 32)
	if err != nil || !to.IsValid() || !gateway.IsValid() || !mask.IsValid() {
		return unexpected(strings.Join(fields, " "))
	}
	length := prefixLength(mask)
	switch {
	case flags&routeUp == 0 || flags&routeReject != 0:
	case length == 0:
		n.gateways[fields[0]] = true
	case gateway.IsUnspecified():
		connected[netip.PrefixFrom(to, length)] = fields[0]
	default:
		n.via(fields[0], netip.PrefixFrom(to, length), gateway)
	}
	return nil
}

// maxRoutes is how many routes of one interface are told of: a router has a million.
const maxRoutes = 64

func (n *network) via(name string, to netip.Prefix, gateway netip.Addr) {
	if len(n.routes[name]) == maxRoutes {
		return
	}
	n.routes[name] = append(n.routes[name], fmt.Sprintf("%s via %s", to, gateway))
}

func address4(text string) netip.Addr {
	number, err := strconv.ParseUint(text, 16, 32)
	if err != nil {
		return netip.Addr{}
	}
	var bytes [4]byte
	binary.NativeEndian.PutUint32(bytes[:], uint32(number))
	return netip.AddrFrom4(bytes)
}

func prefixLength(mask netip.Addr) int {
	bytes := mask.As4()
	return bits.LeadingZeros32(^binary.BigEndian.Uint32(bytes[:]))
}

// address4 gives an address to the interface whose network it is in; the kernel's
// list of its own addresses names none.
func (n *network) address4(text string, connected map[netip.Prefix]string) error {
	at, err := netip.ParseAddr(text)
	if err != nil {
		return unexpected(text)
	}
	for length := 32; length > 0; length-- {
		prefix, err := at.Prefix(length)
		if name := connected[prefix]; err == nil && name != "" {
			n.addresses[name] = append(n.addresses[name], fmt.Sprintf("%s/%d", at, length))
			return nil
		}
	}
	return nil
}

// route6 reads a line of /proc/net/ipv6_route: destination, its length, source, its
// length, next hop, metric, two counts, flags, interface (Linux
// net/ipv6/ip6_fib.c, ipv6_route_native_seq_show).
func (n *network) route6(fields []string) error {
	if len(fields) != 10 {
		return unexpected(strings.Join(fields, " "))
	}
	flags, err := strconv.ParseUint(fields[8], 16, 32)
	if err != nil {
		return unexpected(fields[8])
	}
	switch {
	case flags&routeUp == 0 || flags&routeReject != 0 || fields[9] == "lo":
	case fields[1] == "00":
		n.gateways[fields[9]] = true
	case flags&routeGateway != 0 && flags&routeTold == 0:
		to, length, ok := prefix6(fields[0], fields[1])
		gateway, _, ok2 := prefix6(fields[4], "80")
		if !ok || !ok2 {
			return unexpected(strings.Join(fields, " "))
		}
		n.via(fields[9], netip.PrefixFrom(to, length), gateway)
	}
	return nil
}

// prefix6 reads an address, and how many bits of it count, both in hexadecimal digits.
func prefix6(address, bits string) (at netip.Addr, length int, ok bool) {
	bytes, err := hex.DecodeString(address)
	at, whole := netip.AddrFromSlice(bytes)
	count, err2 := strconv.ParseUint(bits, 16, 8)
	return at, int(count), err == nil && err2 == nil && whole
}

// addressPermanent marks an address that somebody gave it to keep (Linux
// include/uapi/linux/if_addr.h, IFA_F_PERMANENT).
const addressPermanent = 0x80

// address6 reads a line of /proc/net/if_inet6: address, number of the interface,
// length of the prefix, scope, flags, name (Linux net/ipv6/addrconf.c, if6_seq_show).
func (n *network) address6(fields []string) error {
	if len(fields) != 6 {
		return unexpected(strings.Join(fields, " "))
	}
	at, length, ok := prefix6(fields[0], fields[2])
	flags, err := strconv.ParseUint(fields[4], 16, 32)
	if err != nil || !ok {
		return unexpected(strings.Join(fields, " "))
	}
	named := fmt.Sprintf("%s/%d", at, length)
	n.addresses[fields[5]] = append(n.addresses[fields[5]], named)
	if flags&addressPermanent == 0 {
		n.passing[fields[5]] = append(n.passing[fields[5]], named)
	}
	return nil
}
