package sysfs

import (
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/archive"
	"lendkeep/reconcile/facts"
	"lendkeep/spec/pci"
)

var devnoOf = regexp.MustCompile(`DEVNO-(\w+)-`)

// laidOver gives larch without some directories, and with an archive of
// testdata laid over it. DEVNO-nvme0n1- in that stands for the number that the drive
// has in larch.
func laidOver(t *testing.T, file string, without ...string) *archive.Archive {
	t.Helper()
	over, err := archive.Open("testdata/" + file)
	require.NoError(t, err)
	larch := openHost(t, "larch.txtar")
	entries := larch.Entries()
	maps.DeleteFunc(entries, func(name string, _ archive.Entry) bool {
		return slices.ContainsFunc(without, func(dir string) bool { return strings.HasPrefix(name, dir) })
	})
	numbered := func(text string) string {
		return devnoOf.ReplaceAllStringFunc(text, func(found string) string {
			number, err := fs.ReadFile(larch, "sys/class/block/"+devnoOf.FindStringSubmatch(found)[1]+"/dev")
			require.NoError(t, err)
			return strings.TrimSpace(string(number))
		})
	}
	for name, e := range over.Entries() {
		e.Content = []byte(numbered(string(e.Content)))
		entries[numbered(name)] = e
	}
	return made(t, entries)
}

func address(t *testing.T, text string) facts.Address {
	t.Helper()
	at, err := facts.ParseAddress(text)
	require.NoError(t, err)
	return at
}

// usesOf gives the uses of a function as lines.
func usesOf(index *facts.Index, at facts.Address) []string {
	var list []string
	for _, use := range index.Uses(at) {
		list = append(list, use.String())
	}
	return list
}

func TestHolders(t *testing.T) {
	survey := surveyOf(t, laidOver(t, "holders.txtar"), "/srv/shelf/catalogue.qcow2")
	require.Empty(t, survey.Gaps)
	index := facts.NewIndex(&survey)

	assert.Equal(t, []string{"dm-0"}, index.Block("nvme1n1").Holders)
	assert.Equal(t, []string{"md127"}, index.Block("nvme2n1").Holders, "from the array's slaves alone")
	assert.Equal(t, &facts.Mapper{Name: "film-takes", UUID: "LVM-" + strings.Repeat("0123456789abcdef", 4)}, index.Block("dm-0").Mapper)
	assert.Equal(t, &facts.Signature{Kind: "ext4", Usage: "filesystem", Label: "two words", UUID: "6a4f0d3e-9a44-4b0a-8a39-f3dc7b4d3c11"}, index.Block("dm-0").Signature)
	assert.Equal(t, "raid1", index.Block("md127").Array)
	assert.Equal(t, "inactive", index.Block("md126").Array)
	assert.Equal(t, "/srv/shelf/reels and tapes.img", index.Block("loop0").BackingFile)
	assert.Nil(t, index.Block("loop1"), "a loop device with nothing in it")
	assert.True(t, survey.Machine.ZFS)
	assert.Equal(t, []facts.Swap{{Path: "/dev/dm-1"}, {Path: "/srv/swap file", File: true}}, survey.Swaps)
	assert.Equal(t, "raw", index.Path("/srv/shelf/reels and tapes.img").Format)
	assert.False(t, index.Path("/srv/swap file").Missing)
	assert.Nil(t, index.Path("/srv/shelf/gone.img (deleted)"))

	takes := index.MountAt("/srv/takes and\tcuts")
	require.NotNil(t, takes)
	assert.Equal(t, facts.Mount{Devno: facts.Devno{Major: 253}, Root: "/", Path: "/srv/takes and\tcuts", Kind: "ext4",
		Source: "/dev/mapper/film-takes", Options: []string{"rw"}, SuperOptions: []string{"rw"}}, *takes)
	assert.Equal(t, []string{"nvme0n1p1"}, index.MountAt("/srv/shelf").Devices, "the filesystem's log is on a device of its own")

	assert.Equal(t, []string{"0000:02:00.0 > nvme1n1 > dm-0 (film-takes) > mount /srv/takes and\tcuts"}, usesOf(index, address(t, "0000:02:00.0")))
	assert.Equal(t, []string{"0000:03:00.0 > nvme2n1 > md127 > dm-1 (hidden) > swap /dev/dm-1"}, usesOf(index, address(t, "0000:03:00.0")))
	assert.Contains(t, usesOf(index, address(t, "0000:01:00.0")),
		"0000:01:00.0 > nvme0n1 > nvme0n1p1 (start) > /srv/shelf > /srv/shelf/reels and tapes.img > loop0 > mount /mnt")
}

func TestMultipath(t *testing.T) {
	survey := surveyOf(t, laidOver(t, "multipath.txtar",
		"sys/class/block/nvme1n1", "sys/class/block/nvme2n1", "proc/partitions",
		"sys/devices/pci0000:00/0000:00:05.0/0000:02:00.0/nvme/nvme1/nvme1n1", "sys/devices/pci0000:00/0000:00:06.0/0000:03:00.0/nvme/nvme2/nvme2n1"))
	index := facts.NewIndex(&survey)
	first, second := address(t, "0000:02:00.0"), address(t, "0000:03:00.0")

	head := index.Block("nvme1n1")
	assert.Equal(t, &first, head.Controller)
	assert.Equal(t, "nvme1n1", index.Block("nvme1n1p1").Whole)
	assert.Equal(t, &first, index.Block("nvme1n1p1").Controller)
	assert.Equal(t, &facts.Partition{Number: 1, StartBytes: 32768, ID: "2a79736c-44d2-4a6b-b3e2-223504a24c53", Name: "take one"}, index.Block("nvme1n1p1").Partition)
	assert.Nil(t, index.Block("nvme1c1n1"), "the first controller has the drive itself")
	assert.Equal(t, []string{"nvme1n1"}, index.Block("nvme1c2n1").Holders)
	assert.Equal(t, &second, index.Block("nvme1c2n1").Controller)

	want := []facts.Namespace{{ID: 1, Block: "nvme1n1", SizeBytes: 512 << 20, SectorBytes: 512, EUI64: "0025385b71b01c2f",
		NGUID: "ace42e00310e1b4d2ee4ac0000000001", UUID: "0f0e0d0c-0b0a-0908-0706-050403020100", WWID: "eui.0025385b71b01c2f"}}
	assert.Equal(t, want, index.Function(first).NVMe.Namespaces)
	assert.Equal(t, want, index.Function(second).NVMe.Namespaces)
	assert.NotEmpty(t, usesOf(index, second), "lending either port takes the drive away")
}

func TestFilesystemsOverSeveralDevices(t *testing.T) {
	survey := surveyOf(t, laidOver(t, "btrfs.txtar"))
	index := facts.NewIndex(&survey)
	assert.Equal(t, []string{"sda", "sdb"}, index.MountAt("/srv/pool").Devices)
	assert.Equal(t, []string{"nvme2n1", "sda", "sdb"}, index.MountAt("/srv/lost").Devices, "all of them, where the source is stale")
	assert.Equal(t, []string{"nvme0n1p1", "nvme1n1"}, index.MountAt("/srv/bca").Devices)
	require.Len(t, survey.Gaps, 1)
	assert.Equal(t, "mounts", survey.Gaps[0].Fact)
	assert.Contains(t, survey.Gaps[0].Reason, "/srv/lost")
	assert.Contains(t, usesOf(index, address(t, "0000:00:1f.2")), "0000:00:1f.2 > sda > mount /srv/pool")
}

func TestSlotsClaimsAndInterfaces(t *testing.T) {
	survey := surveyOf(t, laidOver(t, "extras.txtar"))
	index := facts.NewIndex(&survey)
	assert.Equal(t, "3", index.Function(address(t, "0000:01:00.0")).Slot)
	assert.Equal(t, "5-1", index.Function(address(t, "0000:02:00.0")).Slot)
	assert.Equal(t, []facts.Gap{{Fact: "functions.slot", Path: "/sys/bus/pci/slots/9/address", Reason: "input/output error"},
		{Fact: "vfio_claims", Path: "/etc/modprobe.d/vfio.conf", Reason: `not a vendor and device number: "zz"`}}, survey.Gaps)

	assert.Equal(t, address(t, "0000:00:1f.0"), *index.Block("nvme9n1").Controller, "a drive behind VMD goes with it")
	assert.Nil(t, index.Function(address(t, "0000:00:1f.0")).NVMe)
	assert.Empty(t, index.BySerial("BEHIND"))

	assert.Equal(t, 2, index.Function(address(t, "0000:02:00.0")).Virtual)
	require.Len(t, index.Virtuals(address(t, "0000:02:00.0")), 1)
	assert.Equal(t, address(t, "0000:02:00.0"), *index.Function(address(t, "0000:02:00.1")).Parent)
	assert.Equal(t, 1, *index.Function(address(t, "0000:02:00.1")).VirtualNumber)
	assert.Nil(t, index.Function(address(t, "0000:02:00.1")).Gap("virtual_number"))
	assert.Equal(t, 7, index.Function(address(t, "0000:02:00.0")).VirtualMost)
	assert.True(t, index.Function(address(t, "0000:02:00.0")).VirtualProbed)
	assert.Zero(t, index.Function(address(t, "0000:01:00.0")).Virtual)
	assert.Zero(t, index.Function(address(t, "0000:01:00.0")).VirtualMost)

	virtio := index.Function(address(t, "0000:00:03.0"))
	assert.Equal(t, []facts.Interface{{Name: "eth7", Up: true}, {Name: "eth8", Up: true}}, virtio.Interfaces, "up where it is not known")
	require.NotNil(t, virtio.Gap("network_interfaces"))
	assert.Equal(t, []facts.Pages{{SizeBytes: 2 << 20, Total: 512}, {SizeBytes: 1 << 30, Total: 4, Free: 3}}, survey.Machine.HugePages)

	claim := func(vendor, device pci.ID, from string) facts.Claim {
		return facts.Claim{Vendor: vendor, Device: device, From: from}
	}
	assert.Equal(t, []facts.Claim{
		claim(0x8086, 0x10d3, "/etc/modprobe.d/vfio.conf"),
		claim(0x1af4, 0x1001, "/usr/lib/modprobe.d/other.conf"),
		claim(0x10de, 0x1b80, "kernel command line"),
		claim(0x10de, 0x10f0, "kernel command line"),
		claim(0x1b36, 0x0010, "kernel command line"),
	}, survey.Claims)
}

func TestTroubles(t *testing.T) {
	survey := surveyOf(t, laidOver(t, "troubles.txtar"))
	index := facts.NewIndex(&survey)
	assert.Equal(t, []facts.Swap{{Path: "/dev/nvme1n1 (deleted)"}}, survey.Swaps)
	require.Len(t, survey.Gaps, 1)
	assert.Contains(t, survey.Gaps[0].Reason, "the device went away under it")
	assert.Contains(t, index.Block("nvme2n1").Gaps[0].Reason, "more than one signature")
	assert.Equal(t, facts.Gap{Fact: "signature", Path: "/run/udev/data/b" + index.Block("nvme0n1p2").Devno.String(), Reason: "permission denied"}, index.Block("nvme0n1p2").Gaps[0])
	assert.Equal(t, "shelf", index.Block("nvme0n1p2").Partition.Name, "from the kernel, where udev cannot be asked")
	assert.Equal(t, "it is blank", index.Function(address(t, "0000:02:00.0")).Gap("nvme.serial").Reason)
	assert.Equal(t, 0, index.Function(address(t, "0000:02:00.0")).Link.Width)
	assert.Equal(t, "vfio-pci", index.Function(address(t, "0000:01:00.0")).DriverOverride)
	assert.Contains(t, index.Function(address(t, "0000:04:00.0")).Gap("header_type").Reason, "does not answer")
}

// TestEmptyTree: a root directory with nothing in it is all gaps.
func TestEmptyTree(t *testing.T) {
	survey := surveyOf(t, parsed(t, "-- (end) --\n"))
	var missing []string
	for _, gap := range survey.Gaps {
		missing = append(missing, gap.Fact)
	}
	for _, fact := range []string{"functions", "blocks", "mounts", "swaps", "machine.name", "machine.kernel", "machine.memory_bytes", "machine.zfs"} {
		assert.Contains(t, missing, fact)
	}
	assert.Empty(t, survey.Functions)
	assert.True(t, survey.Machine.ZFS, "unknown means loaded")
}

func TestZFS(t *testing.T) {
	for text, want := range map[string]bool{
		"-- sys/module/zfs/ --\n":                                      true,
		"-- proc/modules --\nzfs 1 0 - Live 0x0\n":                     true,
		"-- proc/modules --\nkvm 1 0 - Live 0x0\nzfs 1 0 - Live 0x0\n": true,
		"-- proc/modules --\nzfsx 1 0 - Live 0x0\n":                    false,
		"-- proc/modules --\n":                                         false,
		"-- sys/module/ --\n":                                          false,
		"":                                                             true,
	} {
		assert.Equal(t, want, surveyOf(t, parsed(t, text+"-- (end) --\n")).Machine.ZFS, text)
	}
}

// TestConfigSpace walks lists of capabilities that are out of the ordinary.
func TestConfigSpace(t *testing.T) {
	space := func(set map[int]byte) []byte {
		config := make([]byte, configBytes)
		config[offsetStatus] = statusCapabilities
		for at, value := range set {
			config[at] = value
		}
		return config
	}
	for name, test := range map[string]struct {
		config []byte
		msix   *facts.MSIX
		err    string
	}{
		"no list":          {space(map[int]byte{offsetStatus: 0, offsetFirstCap: 0x40, 0x40: capMSIX}), nil, ""},
		"empty list":       {space(nil), nil, ""},
		"other capability": {space(map[int]byte{offsetFirstCap: 0xfc, 0xfc: 1}), nil, ""},
		"second":           {space(map[int]byte{offsetFirstCap: 0x50, 0x50: 1, 0x51: 0x60, 0x60: capMSIX, 0x62: 0xff, 0x63: 0x87, 0x64: 4, 0x65: 0x20, 0x68: 5}), &facts.MSIX{Vectors: 2048, TableBAR: 4, TableOffset: 0x2000, PBABAR: 5}, ""},
		"low bits":         {space(map[int]byte{offsetFirstCap: 0x43, 0x40: capMSIX}), &facts.MSIX{Vectors: 1}, ""},
		"loop":             {space(map[int]byte{offsetFirstCap: 0x40, 0x40: 1, 0x41: 0x40}), nil, "loop"},
		"outside":          {space(map[int]byte{offsetFirstCap: 0x20}), nil, "outside its place"},
		"without root":     {space(map[int]byte{offsetFirstCap: 0x40})[:64], nil, "takes root"},
		"cut":              {space(map[int]byte{offsetFirstCap: 0xf8, 0xf8: capMSIX}), nil, "0x11 is at 0xf8"},
		"CardBus":          {space(map[int]byte{offsetHeaderType: headerCardBus, offsetFirstCap: 0x40, 0x40: capMSIX}), nil, ""},
	} {
		got, err := msix(test.config)
		assert.Equal(t, test.msix, got, name)
		if test.err == "" {
			assert.NoError(t, err, name)
		} else {
			assert.ErrorContains(t, err, test.err, name)
		}
	}
}

func TestLinkTexts(t *testing.T) {
	// Linux drivers/pci/probe.c, pci_speed_string.
	for text, want := range map[string]int{"2.5 GT/s PCIe": 2500, "5.0 GT/s PCIe": 5000, "8.0 GT/s PCIe": 8000, "16.0 GT/s PCIe": 16000,
		"32.0 GT/s PCIe": 32000, "64.0 GT/s PCIe": 64000, "8 GT/s": 8000, "Unknown": 0, "Unknown speed": 0} {
		got, err := linkSpeed(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, got, text)
	}
	for _, text := range []string{"fast", "-1 GT/s", "8.0", "NaN GT/s", "1e9 GT/s"} {
		_, err := linkSpeed(text)
		assert.Error(t, err, text)
	}
}

// refusesLinks is a file system that knows no links.
type refusesLinks struct{ fs.FS }

func TestOpen(t *testing.T) {
	for root, want := range map[string]string{"testdata/none": "no such file", "testdata/none.txtar": "no such file", "pci.go": "neither a directory"} {
		_, err := Open(root)
		assert.ErrorContains(t, err, want, root)
	}
	_, err := OpenFS(refusesLinks{parsed(t, "-- (end) --\n")})
	assert.ErrorContains(t, err, "no symbolic links")
	tree, err := Open(hostFile("larch.txtar"))
	require.NoError(t, err)
	_, err = fs.Stat(tree.FS(), "libvirt/guests/grading.xml")
	require.NoError(t, err)
}
