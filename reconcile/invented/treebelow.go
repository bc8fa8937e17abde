package invented

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// card writes a network interface with what is built on it.
func (t *tree) card(dir string, card facts.Interface) {
	t.text(dir+"/flags", map[bool]string{false: "0x1002", true: "0x1003"}[card.Up])
	t.carries(card.Name, card.Addresses, card.Passing, card.Default)
	for _, route := range card.Routes {
		to, via, _ := strings.Cut(route, " via ")
		prefix := netip.MustParsePrefix(to)
		t.route(fmt.Sprintf("%x", prefix.Addr().AsSlice()), prefix.Bits(), fmt.Sprintf("%x", netip.MustParseAddr(via).AsSlice()), card.Name)
	}
	folders := map[string]string{card.Name: dir}
	for _, b := range card.Built {
		folders[b.Name] = "sys/devices/virtual/net/" + b.Name
		t.link("sys/class/net/"+b.Name, folders[b.Name])
		t.link(folders[b.On]+"/upper_"+b.Name, folders[b.Name])
		t.text(folders[b.Name]+"/uevent", "DEVTYPE="+b.Kind)
		t.carries(b.Name, b.Addresses, nil, b.Default)
	}
}

// carries writes addresses, those of IPv6 only, and a default route.
func (t *tree) carries(name string, addresses, passing []string, gateway bool) {
	for _, a := range addresses {
		prefix, flags := netip.MustParsePrefix(a), "80"
		if slices.Contains(passing, a) {
			flags = "00"
		}
		t.files["proc/net/if_inet6"] += fmt.Sprintf("%x 02 %02x 00 %s %s\n", prefix.Addr().AsSlice(), prefix.Bits(), flags, name)
	}
	if gateway {
		t.route(nowhere, 0, nowhere, name)
	}
}

var nowhere = strings.Repeat("0", 32)

func (t *tree) route(to string, bits int, via, name string) {
	t.files["proc/net/ipv6_route"] += strings.Join([]string{to, fmt.Sprintf("%02x", bits), nowhere, "00", via, "00000400", "00000001", "00000000", "00000003", name}, " ") + "\n"
}

// attached writes something below a function that nobody has open: a USB device, what
// a driver has on another bus, the console, or something of a class.
func (t *tree) attached(dir string, a facts.Attached) {
	in := func(device, kind, name string) { t.link(device+"/subsystem", "sys/"+kind+"/"+name) }
	switch device := dir + "/" + a.Class + "/" + a.Name; {
	case len(a.Openers) > 0: // the kernel's answer
	case a.Shows != "":
		in(device, "class", a.Class)
		t.text("sys/class/vtconsole/vtcon1/name", "(M) frame buffer device")
		t.text("sys/class/vtconsole/vtcon1/bind", "1")
	case a.Class == "usb":
		hub := dir + "/usb" + a.Name[:strings.Index(a.Name, "-")]
		device, part := hub+"/"+a.Name, hub+"/"+a.Name+"/"+a.Name+":1.0"
		for _, each := range []string{hub, device, part} {
			in(each, "bus", "usb")
		}
		t.link(device+"/driver", "sys/bus/usb/drivers/usb")
		t.link(part+"/driver", "sys/bus/usb/drivers/"+a.Driver)
		t.text(device+"/product", a.Product)
	case a.Driver != "":
		in(dir+"/"+a.Name, "bus", a.Class)
		t.link(dir+"/"+a.Name+"/driver", "sys/bus/"+a.Class+"/drivers/"+a.Driver)
	default:
		in(device, "class", a.Class)
	}
}
