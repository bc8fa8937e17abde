package sysfs

import (
	"io/fs"
	"maps"
	"os"
	"path"
	"slices"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/archive"
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
		"network interface enp4s0 (2001:db8::abcd/64)",
		"enp4s0 > network interface bond0 (bond)",
		"enp4s0 > network interface macvtap0 (macvlan)",
		"enp4s0 > bond0 > network interface bond0.7 (vlan, 2001:db8::2/64, default route)",
		"enp4s0 > bond0 > network interface br0 (bridge, 192.0.2.7/24, default route)",
	}
	assert.Equal(t, want, toldOf(&survey, at))
	card := facts.NewIndex(&survey).Function(at).Interfaces[0]
	assert.Equal(t, []string{"2001:db8::abcd/64", "fe80::fc:ff:fe00:1/64"}, card.Addresses)
	assert.Equal(t, []string{"2001:db8::abcd/64"}, card.Passing)
	assert.Equal(t, []string{"198.51.100.0/24 via 192.0.2.1", "2001:db8:7::/48 via fe80::1"}, card.Routes, "one was told by a router")
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
		assert.Contains(t, strings.Join(toldOf(&survey, address(t, "0000:04:00.0")), "\n"), "network interface enp4s0", name)
	}
	for name, text := range map[string]string{"proc/net/route": "br0 xx 0 0 0 0 0 0\n", "proc/net/ipv6_route": "x\n", "proc/net/if_inet6": "zz 1 1 1 1 lo\n", "proc/net/fib_trie": "|-- x\n/32 host LOCAL\n"} {
		survey := surveyOf(t, with(t, host, name, []byte(text)))
		assert.NotNil(t, facts.NewIndex(&survey).Function(address(t, "0000:04:00.0")).Gap(facts.GapInterfaces), name)
	}
}

// stubbed is a host where pci-stub has each function that a driver has.
type stubbed struct{ fs.ReadLinkFS }

func (s stubbed) ReadLink(name string) (string, error) {
	to, err := s.ReadLinkFS.ReadLink(name)
	if path.Base(name) == "driver" {
		to = path.Join(path.Dir(to), "pci-stub")
	}
	return to, err
}

// What pci-stub keeps from other drivers has no users that nobody sees.
func TestStubbed(t *testing.T) {
	entries := laidOver(t, "kinds.txtar").Entries()
	maps.DeleteFunc(entries, func(name string, _ archive.Entry) bool {
		return strings.HasPrefix(name, "sys/devices/pci0000:00/0000:00:16.0/net")
	})
	survey := surveyOf(t, stubbed{made(t, entries)})
	for _, at := range []string{"0000:00:16.0", "0000:00:19.0"} {
		f := facts.NewIndex(&survey).Function(address(t, at))
		require.True(t, f.Stubbed())
		assert.Empty(t, toldOf(&survey, f.Address), at)
	}
}

// What has the host's console, and what nobody knows the users of, is in use; a card
// without a picture, and sound that nobody plays, are not.
func TestOtherKinds(t *testing.T) {
	host := laidOver(t, "kinds.txtar")
	survey := surveyOf(t, host)
	for at, want := range map[string][]string{
		"0000:00:17.0": {"console card0-Virtual-1 (a monitor on it shows the host's picture)", "console fb0 (the host's console is on it)"},
		"0000:00:17.1": nil,
		"0000:00:18.0": {"console ttyS4 (the host's console is on it)"},
		"0000:00:19.0": {"unknown the kernel, maybe: nothing shows who uses what its driver ccp does"},
		"0000:00:1a.0": {"0-0050 > device i2c 0-0050 (the host's driver ee1004 has it)", "iTCO_wdt > device platform iTCO_wdt (the host's driver iTCO_wdt has it)"},
		"0000:00:1b.0": {"tpm0 > unknown somebody, maybe: lendkeep does not know what uses a device of class tpm"},
		"0000:00:1c.0": nil,
	} {
		assert.Equal(t, want, toldOf(&survey, address(t, at)), at)
	}
}

// What the kernel itself uses, or may, and shows nowhere else: a SCSI host that serves
// other machines, and what is used without a driver of its own.
func TestUsesOfTheKernel(t *testing.T) {
	const usb, display = "0000:00:14.0", "0000:00:1c.0"
	host := "sys/devices/pci0000:00/" + usb + "/usb1/1-1/1-1:1.0/host12/scsi_host/host12/"
	chip := "sys/devices/pci0000:00/" + display + "/gpiochip7"
	for name, c := range map[string]struct {
		mode, bus string
		at        string
		want, not string
	}{
		"it reaches for disks":        {"Initiator", "", usb, "keyboard", "scsi_host"},
		"it serves them":              {"Target", "", usb, "host12 > device target of other machines (scsi_host host12) (the host's driver qla2xxx has it)", "somebody"},
		"both":                        {"Initiator, Target", "", usb, "target of other machines (scsi_host host12)", "somebody"},
		"nobody knows":                {"unknown", "", usb, "target of other machines (scsi_host host12)", "somebody"},
		"lines that others ask for":   {"", "gpio", display, "gpiochip7 > unknown somebody, maybe: lendkeep does not know what uses a device of class gpio", "device gpio"},
		"a device nobody is there of": {"", "i2c", display, "", "gpiochip7"},
	} {
		entries := laidOver(t, "kinds.txtar").Entries()
		if c.mode != "" {
			entries[host+"active_mode"] = archive.Entry{Mode: 0o444, Content: []byte(c.mode + "\n")}
			entries[host+"proc_name"] = archive.Entry{Mode: 0o444, Content: []byte("qla2xxx\n")}
		}
		if c.bus != "" {
			entries[chip+"/subsystem"] = archive.Entry{Mode: fs.ModeSymlink, Target: "../../../../bus/" + c.bus}
		}
		survey := surveyOf(t, made(t, entries))
		told := strings.Join(toldOf(&survey, address(t, c.at)), "\n")
		assert.Contains(t, told, c.want, name)
		assert.NotContains(t, told, c.not, name)
	}
}

// counting gives one folder as many links as sysfs gives one in which so many network
// interfaces are, of whatever network namespace.
type counting struct {
	fs.ReadLinkFS
	folder     string
	interfaces int
}

func (c counting) Lstat(name string) (fs.FileInfo, error) {
	info, err := c.ReadLinkFS.Lstat(name)
	if name == c.folder && err == nil {
		return linked{info, c.interfaces}, nil
	}
	return info, err
}

type linked struct {
	fs.FileInfo
	interfaces int
}

func (l linked) Sys() any { return &syscall.Stat_t{Nlink: uint64(l.interfaces) + 2} }

// An interface that is in another network namespace is a use also where another one of
// the same function is here, and of whatever class that is.
func TestInterfacesElsewhere(t *testing.T) {
	const unseen = "network interface that is not seen, maybe"
	card, serial := "0000:04:00.0", "0000:00:18.0"
	folder := "sys/devices/pci0000:00/0000:00:06.1/" + card + "/net"
	host := laidOver(t, "kinds.txtar")
	for interfaces, want := range map[int]bool{1: false, 2: true} {
		survey := surveyOf(t, counting{host, folder, interfaces})
		assert.Equal(t, want, strings.Contains(strings.Join(toldOf(&survey, address(t, card)), "\n"), unseen), interfaces)
	}
	entries := host.Entries()
	entries["sys/devices/pci0000:00/"+serial+"/net"] = archive.Entry{Mode: fs.ModeDir | 0o555}
	survey := surveyOf(t, made(t, entries))
	assert.Contains(t, strings.Join(toldOf(&survey, address(t, serial)), "\n"), unseen)
}

// The kernel counts interfaces of every network namespace (measured with Linux 6.18:
// one more with each namespace, which has a loopback interface of its own).
func TestKernelCountsInterfaces(t *testing.T) {
	const all = "/sys/devices/virtual/net"
	info, err := os.Lstat(all)
	if err != nil {
		t.Skip("this machine shows no network interfaces: " + err.Error())
	}
	entries, err := os.ReadDir(all)
	require.NoError(t, err)
	require.NotEmpty(t, entries)
	assert.GreaterOrEqual(t, interfacesIn(info), len(entries))
}

// The card that the machine started with has the console without showing it below
// itself, as long as it is in text mode or on the firmware's frame buffer.
func TestConsoleOfTheFirmware(t *testing.T) {
	const firmware, text = "console the firmware's frame buffer (the host's console is on it)", "console text mode (the host's console is on it)"
	first, second := "0000:00:1c.0", "0000:00:17.0"
	frames := map[string]archive.Entry{"sys/class/graphics/fb1": {Mode: fs.ModeSymlink, Target: "../../devices/platform/efi-framebuffer.0/graphics/fb1"}}
	iomem := func(text string) map[string]archive.Entry {
		with := maps.Clone(frames)
		with["proc/iomem"] = archive.Entry{Mode: 0o444, Content: []byte(text)}
		return with
	}
	for name, c := range map[string]struct {
		with      map[string]archive.Entry
		at        string
		want, not string
	}{
		"memory of nobody that is known":       {frames, first, firmware, text},
		"not of another":                       {frames, second, "console fb0", firmware},
		"memory of another":                    {iomem("e0000000-efffffff : PCI Bus 0000:00\n  e0000000-e0ffffff : 0000:00:17.0\n    e0000000-e02fffff : BOOTFB\n"), second, firmware, text},
		"not its own":                          {iomem("e0000000-e0ffffff : 0000:00:17.0\n  e0000000-e02fffff : BOOTFB\nf0000000-f0ffffff : 0000:00:1c.0\n"), first, "", firmware},
		"memory that its driver has":           {iomem("e0000000-e0ffffff : 0000:00:1c.0\n  e0000000-e02fffff : cirrus\n"), first, firmware, text},
		"text mode":                            {map[string]archive.Entry{"sys/class/vtconsole/vtcon1/name": {Mode: 0o444, Content: []byte("(S) VGA+\n")}}, first, text, firmware},
		"a frame buffer that no console is on": {map[string]archive.Entry{"sys/class/vtconsole/vtcon1/bind": {Mode: 0o444, Content: []byte("0\n")}}, second, "console card0-Virtual-1", "console fb0"},
		"what cannot be read":                  {map[string]archive.Entry{"sys/class/vtconsole/vtcon1/bind": {Mode: 0o444}}, first, text, firmware},
	} {
		entries := laidOver(t, "kinds.txtar").Entries()
		maps.Copy(entries, c.with)
		survey := surveyOf(t, made(t, entries))
		told := strings.Join(toldOf(&survey, address(t, c.at)), "\n")
		assert.Contains(t, told, c.want, name)
		assert.NotContains(t, told, c.not, name)
	}
}

// What tells that a function's driver works: what that has made, not what is plugged
// into it.
func TestWhatAFunctionShows(t *testing.T) {
	survey := surveyOf(t, laidOver(t, "kinds.txtar"))
	for at, want := range map[string][]string{
		"0000:00:14.0": {"usb"}, "0000:00:15.0": {"usb"}, "0000:00:17.0": {"drm", "graphics"}, "0000:00:17.1": {"hdaudio", "sound"},
		"0000:00:18.0": {"tty"}, "0000:00:1a.0": {"i2c", "platform"}, "0000:00:1b.0": {"tpm"}, "0000:00:1c.0": nil, "0000:04:00.0": nil,
	} {
		assert.Equal(t, want, facts.NewIndex(&survey).Function(address(t, at)).Shows, at)
	}
}

// Drives elsewhere are a use of the card that they are reached over, though the kernel
// shows them below no card; of those that do not say over which, any may be it (files
// after Linux 6.1 drivers/nvme/host/fabrics.c and drivers/scsi/iscsi_tcp.c).
func TestRemoteDrives(t *testing.T) {
	const fc, card = "0000:00:19.0", "0000:04:00.0"
	for name, c := range map[string]struct {
		transport, address, iscsi string
		at                        []string // which functions it is a use of
	}{
		"over its port":         {"fc", "traddr=nn-0x20000090fa000001:pn-0x10000090fa000001,host_traddr=nn-0x20000090fa942779:pn-0x10000090FA942779", "", []string{fc}},
		"over another port":     {"fc", "traddr=nn-0x20000090fa000001:pn-0x10000090fa000001,host_traddr=nn-0x20000090fa942779:pn-0x10000090fa942778", "", nil},
		"over some port":        {"fc", "traddr=nn-0x20000090fa000001:pn-0x10000090fa000001", "", []string{fc}},
		"over its bridge":       {"tcp", "traddr=192.0.2.50,trsvcid=4420,src_addr=192.0.2.7", "", []string{card}},
		"over its VLAN":         {"tcp", "traddr=2001:db8::50,trsvcid=4420,host_traddr=2001:db8::2", "", []string{card}},
		"over what it is named": {"rdma", "traddr=192.0.2.50,trsvcid=4420,host_iface=enp4s0", "", []string{card}},
		"over another card":     {"tcp", "traddr=192.0.2.50,trsvcid=4420,src_addr=198.51.100.9", "", nil},
		"over some card":        {"tcp", "traddr=192.0.2.50,trsvcid=4420", "", []string{card}},
		"of a way nobody knows": {"", "", "", []string{card}},
		"of this machine":       {"loop", "traddr=x", "", nil},
		"iSCSI":                 {"", "", "192.0.2.7", []string{card}},
		"iSCSI elsewhere":       {"", "", "198.51.100.9", nil},
		"iSCSI somewhere":       {"", "", "<NULL>", []string{card}},
	} {
		entries := laidOver(t, "kinds.txtar").Entries()
		text := func(name, content string) {
			entries[name] = archive.Entry{Mode: 0o444, Content: []byte(content + "\n")}
		}
		link := func(name, to string) { entries[name] = archive.Entry{Mode: fs.ModeSymlink, Target: to} }
		link("sys/devices/pci0000:00/"+fc+"/host7/fc_host/host7/subsystem", "../../../../../../class/fc_host")
		text("sys/devices/pci0000:00/"+fc+"/host7/fc_host/host7/port_name", "0x10000090fa942779")
		told := "nvme7 > remote drive nvme nvme7 (by nvme-" + c.transport + ")"
		if c.iscsi != "" {
			told = "host9 > remote drive iscsi_host host9 (by iscsi_tcp)"
			link("sys/class/iscsi_host/host9", "../../devices/platform/host9/iscsi_host/host9")
			text("sys/devices/platform/host9/iscsi_host/host9/ipaddress", c.iscsi)
		} else {
			link("sys/class/nvme/nvme7", "../../devices/virtual/nvme-fabrics/ctl/nvme7")
			text("sys/devices/virtual/nvme-fabrics/ctl/nvme7/address", c.address)
			if c.transport != "" {
				text("sys/devices/virtual/nvme-fabrics/ctl/nvme7/transport", c.transport)
			}
		}
		survey := surveyOf(t, made(t, entries))
		for _, at := range []string{fc, card} {
			if slices.Contains(c.at, at) {
				assert.Contains(t, toldOf(&survey, address(t, at)), told, "%s: %s", name, at)
			} else {
				assert.NotContains(t, strings.Join(toldOf(&survey, address(t, at)), "\n"), "remote drive", "%s: %s", name, at)
			}
		}
	}
}

// A port of Fibre Channel by which other machines reach drives of this one is in use,
// although nothing of theirs shows below it (files after Linux 6.1
// drivers/nvme/target/configfs.c).
func TestPortThatServesDrives(t *testing.T) {
	const fc = "0000:00:19.0"
	for name, c := range map[string]struct {
		kind, address string
		used          bool
	}{
		"its own":      {"fc", "nn-0x20000090fa942779:pn-0x10000090FA942779", true},
		"another":      {"fc", "nn-0x20000090fa942779:pn-0x10000090fa942778", false},
		"not said":     {"fc", "", true},
		"of a network": {"tcp", "192.0.2.7", false},
	} {
		entries := laidOver(t, "kinds.txtar").Entries()
		host := "sys/devices/pci0000:00/" + fc + "/host7/fc_host/host7/"
		entries[host+"subsystem"] = archive.Entry{Mode: fs.ModeSymlink, Target: "../../../../../../class/fc_host"}
		for file, content := range map[string]string{host + "port_name": "0x10000090fa942779", nvmetPorts + "/1/addr_trtype": c.kind, nvmetPorts + "/1/addr_traddr": c.address} {
			entries[file] = archive.Entry{Mode: 0o444, Content: []byte(content + "\n")}
		}
		survey := surveyOf(t, made(t, entries))
		const told = "port 1 > device target of other machines (nvmet port 1) (the host's driver nvmet-fc has it)"
		assert.Equal(t, c.used, slices.Contains(toldOf(&survey, address(t, fc)), told), name)
	}
}
