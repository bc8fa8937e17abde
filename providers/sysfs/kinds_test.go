package sysfs

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// toldOf gives the live uses of a function as lines, with what else is known of each.
func toldOf(s *facts.Survey, at facts.Address) []string {
	var list []string
	for _, use := range facts.NewIndex(s).LiveUses(at) {
		list = append(list, strings.TrimPrefix(use.Told(), at.String()+" > "))
	}
	return list
}

// Everything below a USB controller that a driver has is told, each thing once; a
// stick by what uses its disk, and hubs by what is plugged into them.
func TestBelowUSB(t *testing.T) {
	survey := surveyOf(t, laidOver(t, "kinds.txtar"))
	require.Empty(t, survey.Gaps)
	at := address(t, "0000:00:14.0")
	want := []string{
		"1-2 > device keyboard QEMU QEMU USB Keyboard (usb 1-2) (the host's driver usbhid has it)",
		"1-3.1 > device input or control device Uninterruptible supply\x1b[2J with a very long name that goes on an... (and 18 more bytes) (usb 1-3.1) (the host's driver usbhid has it)",
		"1-3.3 > device 0403:6001 (usb 1-3.3) (the host's driver ftdi_sio has it)",
		"1-3.4 > device Receiver (usb 1-3.4) (the host's driver usbip-host has it)",
	}
	assert.Equal(t, want, toldOf(&survey, at))
	assert.Empty(t, toldOf(&survey, address(t, "0000:00:15.0")), "a root hub is no use")

	survey.Mounts = append(survey.Mounts, facts.Mount{Devno: facts.Devno{Major: 8, Minor: 32}, Root: "/", Path: "/mnt/keys", Kind: "vfat"})
	assert.Equal(t, append([]string{"sdc > mount /mnt/keys"}, want...), toldOf(&survey, at))
}

// A card is used by whatever is built on it, and by whoever is logged in over that.
func TestNetworkUses(t *testing.T) {
	survey := surveyOf(t, laidOver(t, "kinds.txtar"))
	at := address(t, "0000:04:00.0")
	want := []string{
		"network interface enp4s0",
		"enp4s0 > network interface bond0 (bond)",
		"enp4s0 > network interface macvtap0 (macvlan)",
		"enp4s0 > bond0 > network interface bond0.7 (vlan, 2001:db8::2/64, default route)",
		"enp4s0 > bond0 > network interface br0 (bridge, 192.0.2.7/24, default route)",
	}
	assert.Equal(t, want, toldOf(&survey, at))
	assert.Equal(t, []string{"fe80::fc:ff:fe00:1/64"}, facts.NewIndex(&survey).Function(at).Interfaces[0].Addresses)
	for session, told := range map[string]string{
		"192.0.2.7":                 "enp4s0 > bond0 > br0 > session sshd (pid 77), which comes over 192.0.2.7",
		"::ffff:192.0.2.7":          "enp4s0 > bond0 > br0 > session sshd (pid 77), which comes over ::ffff:192.0.2.7",
		"fe80::fc:ff:fe00:1%enp4s0": "enp4s0 > session sshd (pid 77), which comes over fe80::fc:ff:fe00:1%enp4s0",
		"198.51.100.9":              "enp4s0 > session sshd (pid 77), which may come over it, by 198.51.100.9",
		"nonsense":                  "enp4s0 > session sshd (pid 77), which may come over it, by nonsense",
		"127.0.0.1":                 "",
	} {
		survey.Sessions = []facts.Session{{Address: session, Who: "sshd (pid 77)"}}
		if told == "" {
			assert.Equal(t, want, toldOf(&survey, at), session)
			continue
		}
		assert.Contains(t, toldOf(&survey, at), told, session)
	}
	assert.Equal(t, []string{"network interface that is not seen, maybe (" + errElsewhere.Error() + ")"}, toldOf(&survey, address(t, "0000:00:16.0")))
}

// What cannot be read of addresses, or is of another form, is no free card.
func TestNetworkGaps(t *testing.T) {
	host := laidOver(t, "kinds.txtar")
	host = with(t, host, "sys/devices/pci0000:00/0000:00:06.1/0000:04:00.0/net/enp4s0/flags", []byte("0x1002\n"))
	for _, name := range []string{"proc/net/route", "proc/net/ipv6_route", "proc/net/if_inet6", "proc/net/fib_trie"} {
		damaged := watch(host)
		damaged.refuse = name
		survey := surveyOf(t, damaged)
		assert.Contains(t, toldOf(&survey, address(t, "0000:04:00.0")), "network interface enp4s0", name)
	}
	for name, text := range map[string]string{"proc/net/route": "br0 xx 0 0 0 0 0 0\n", "proc/net/ipv6_route": "x\n", "proc/net/if_inet6": "zz 1 1 1 1 lo\n", "proc/net/fib_trie": "|-- x\n/32 host LOCAL\n"} {
		survey := surveyOf(t, with(t, host, name, []byte(text)))
		assert.NotNil(t, facts.NewIndex(&survey).Function(address(t, "0000:04:00.0")).Gap(facts.GapInterfaces), name)
	}
}
