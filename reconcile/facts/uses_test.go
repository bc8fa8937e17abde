package facts_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// Each case puts one kind of use on a drive; the path from controller to user
// is what an operator is told.
func TestUsesAtAnyDepth(t *testing.T) {
	cases := map[string]struct {
		make func(*invented.Builder)
		want []string
	}{
		"nothing": {func(b *invented.Builder) {}, nil},
		"a mount": {func(b *invented.Builder) { b.Mount("nvme0n1p2", "/srv/shelf") },
			[]string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf"}},
		"the host's root": {func(b *invented.Builder) { b.Mount("nvme0n1p2", "/usr") },
			[]string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > host system /usr"}},
		"LVM on a partition, mounted": {func(b *invented.Builder) { b.Mount(b.Mapper("vg-lv", "nvme0n1p2"), "/data") },
			[]string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > dm-4 (vg-lv) > mount /data"}},
		"LVM on the whole drive, not mounted": {func(b *invented.Builder) { b.Mapper("vg-lv", "nvme0n1") },
			[]string{"0000:01:00.0 > nvme0n1 > holder dm-4 (vg-lv)"}},
		"encryption below LVM": {func(b *invented.Builder) { b.Mount(b.Mapper("vg-lv", b.Mapper("luks", "nvme0n1p2")), "/data") },
			[]string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > dm-4 (luks) > dm-5 (vg-lv) > mount /data"}},
		// /proc/swaps says /dev/dm-1 where mountinfo says /dev/mapper/vg-lv
		// (measured with Linux 6.1).
		"swap on LVM": {func(b *invented.Builder) {
			b.Survey.Swaps = append(b.Survey.Swaps, facts.Swap{Path: "/dev/" + b.Mapper("vg-swap", "nvme0n1p2")})
		}, []string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > dm-4 (vg-swap) > swap /dev/dm-4"}},
		"a swap file": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Survey.Swaps = append(b.Survey.Swaps, facts.Swap{Path: "/srv/shelf/swap", File: true})
		}, []string{
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf",
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > /srv/shelf > /srv/shelf/swap > swap /srv/shelf/swap"}},
		"a loop device on a file, mounted": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "loop0", Devno: facts.Devno{Major: 7}, BackingFile: "/srv/shelf/disc.img", Signature: &facts.Signature{Kind: "ext4"}})
			b.Mount("loop0", "/mnt/disc")
		}, []string{
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf",
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > /srv/shelf > /srv/shelf/disc.img > loop0 > mount /mnt/disc"}},
		"a running guest's image": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
			b.Run("catalogue")
		}, []string{
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf",
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > /srv/shelf > /srv/shelf/catalogue.qcow2 > guest catalogue"}},
		"the image that a running guest's image is based on": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Guest("catalogue", "/srv/images/catalogue.qcow2")
			b.Survey.Paths[0].Backing = "/srv/shelf/base.qcow2"
			b.Run("catalogue")
		}, []string{
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf",
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > /srv/shelf > /srv/shelf/base.qcow2 > guest catalogue"}},
		"a guest with the partition as its disk, by a link": {func(b *invented.Builder) {
			b.Block("nvme0n1p2").Links = []string{"disk/by-partlabel/shelf"}
			b.Guest("catalogue", "/dev/disk/by-partlabel/shelf")
			b.Run("catalogue")
		}, []string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > guest catalogue"}},
		"a running guest's log": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Guest("catalogue", "/srv/images/catalogue.qcow2")
			b.Device("catalogue", `<serial type="pty"><log file="/srv/shelf/log"/></serial>`)
			b.Run("catalogue")
		}, []string{
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf",
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > /srv/shelf > /srv/shelf/log > guest catalogue"}},
		"a running guest's share of a folder above": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Guest("catalogue", "/srv/images/catalogue.qcow2")
			b.Device("catalogue", `<filesystem><source dir="/srv/"/><target dir="s"/></filesystem>`)
			b.Run("catalogue")
		}, []string{
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf",
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > /srv/shelf > /srv/ > guest catalogue"}},
		"a pool": {func(b *invented.Builder) {
			b.Survey.Libvirt.Pools = []facts.Pool{{Name: "raw", Kind: "disk", Active: true, Sources: []string{"/dev/nvme0n1"}}}
		}, []string{"0000:01:00.0 > nvme0n1 > pool raw"}},
		// The kernel does not show what a ZFS pool is made of.
		"a ZFS member": {func(b *invented.Builder) {
			b.Survey.Machine.ZFS = true
			b.Block("nvme0n1p2").Signature = &facts.Signature{Kind: "zfs_member", Label: "tank"}
		}, []string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > unknown ZFS pool tank, which may be imported"}},
		"btrfs over two devices": {func(b *invented.Builder) {
			b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: facts.Devno{Minor: 40}, Devices: []string{"vda", "nvme0n1p2"}, Path: "/data", Kind: "btrfs"})
		}, []string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /data"}},
		"one that could not be read, beside a mount and a guest that is off": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Guest("other", "/dev/nvme0n1p2")
			b.Block("nvme0n1p2").Gaps = []facts.Gap{{Fact: "holders", Path: "/sys/x", Reason: "permission denied"}}
		}, []string{
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf",
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > unknown holders not readable at /sys/x: permission denied"}},
		"a fact that could not be read": {func(b *invented.Builder) {
			b.Block("nvme0n1p2").Gaps = []facts.Gap{{Fact: "holders", Path: "/sys/block/nvme0n1/nvme0n1p2/holders", Reason: "permission denied"}}
		}, []string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > unknown holders not readable at /sys/block/nvme0n1/nvme0n1p2/holders: permission denied"}},
		"a holder of which nothing is known": {func(b *invented.Builder) { b.Block("nvme0n1").Holders = []string{"bcache0"} },
			[]string{"0000:01:00.0 > nvme0n1 > unknown bcache0, of which nothing else is known"}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			at := b.NVMe("RL-4410-0073", "start", "shelf")
			c.make(b)
			var got []string
			for _, use := range facts.NewIndex(&b.Survey).LiveUses(at) {
				got = append(got, use.String())
			}
			assert.Equal(t, c.want, got)
		})
	}
}

func TestGuestThatIsOffIsNoLiveUse(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "shelf")
	b.Mount("nvme0n1p1", "/srv/shelf")
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	ix := facts.NewIndex(&b.Survey)
	assert.Len(t, ix.Uses(at), 2)
	assert.Len(t, ix.LiveUses(at), 1)
}

// A guest has a drive by many names besides those of its block devices.
func TestUsesByOtherNames(t *testing.T) {
	sata := func(b *invented.Builder, at facts.Address) {
		b.Function(at).Class, b.Function(at).NVMe = 0x010601, nil
	}
	usb := func(b *invented.Builder, at facts.Address) { b.Function(at).Class = 0x0c0330 }
	shown := func(b *invented.Builder, named, device string, at facts.Address) {
		b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: named, Resolved: "/sys/devices/pci0000:00/0000:00:02.0/" + at.String() + device})
	}
	elsewhere := facts.Address{Bus: 9}
	cases := map[string]struct {
		device string
		change func(*invented.Builder, facts.Address)
		used   bool
	}{
		"the controller's own device":          {`<disk type="block"><source dev="/dev/nvme0"/><target dev="vdz"/></disk>`, nil, true},
		"another controller's":                 {`<disk type="block"><source dev="/dev/nvme1"/><target dev="vdz"/></disk>`, func(b *invented.Builder, _ facts.Address) { b.NVMe("OTHER") }, false},
		"a controller's that the survey lacks": {`<disk type="block"><source dev="/dev/nvme7"/><target dev="vdz"/></disk>`, nil, true},
		"the namespace's character device":     {`<disk type="block"><source dev="/dev/ng0n1"/><target dev="vdz"/></disk>`, nil, true},
		"a character device in a container":    {`<hostdev mode="capabilities" type="misc"><source><char>/dev/nvme0</char></source></hostdev>`, nil, true},
		"a drive behind a serial port":         {`<serial type="dev"><source path="/dev/nvme0n1p1"/></serial>`, nil, true},
		"persistent memory":                    {`<memory model="nvdimm"><source><path>/dev/nvme0n1</path></source></memory>`, nil, true},
		"the function by QEMU's arguments":     {`<disk type="file"><source file="nvme://0000:01:00.0/1"/><target dev="vdz"/></disk>`, nil, true},
		"the function in sysfs":                {`<pigeon at="/sys/bus/pci/devices/0000:01:00.0/resource0"/>`, nil, true},
		"a SCSI device, shown": {scsiDevice, func(b *invented.Builder, at facts.Address) {
			sata(b, at)
			shown(b, "/sys/bus/scsi/devices/0:0:1:0", "/ata1/host0/target0:0:1/0:0:1:0", at)
		}, true},
		"a SCSI device, shown elsewhere": {scsiDevice, func(b *invented.Builder, at facts.Address) {
			sata(b, at)
			shown(b, "/sys/bus/scsi/devices/0:0:1:0", "/ata1/host0/target0:0:1/0:0:1:0", elsewhere)
		}, false},
		"a SCSI device, of a drive or none":     {scsiDevice, sata, true},
		"a SCSI device, which is no NVMe drive": {scsiDevice, nil, false},
		"a SCSI generic device":                 {`<disk type="block"><source dev="/dev/sg0"/><target dev="vdz"/></disk>`, sata, true},
		"a SCSI generic device, shown": {`<disk type="block"><source dev="/dev/sg0"/><target dev="vdz"/></disk>`, func(b *invented.Builder, at facts.Address) {
			sata(b, at)
			shown(b, "/sys/class/scsi_generic/sg0", "/ata1/host0/scsi_generic/sg0", elsewhere)
		}, false},
		"a SCSI device by its controller": {`<hostdev mode="subsystem" type="scsi"><source><adapter type="scsi_host"><parentaddr unique_id="1"><address domain="0" bus="1" slot="0" function="0"/></parentaddr></adapter><address bus="0" target="0" unit="0"/></source></hostdev>`, nil, true},
		"a USB device":                    {`<hostdev mode="subsystem" type="usb"><source><address bus="1" device="4"/></source></hostdev>`, usb, true},
		"a USB device, shown elsewhere": {`<hostdev mode="subsystem" type="usb"><source><address bus="1" device="4"/></source></hostdev>`, func(b *invented.Builder, at facts.Address) {
			usb(b, at)
			shown(b, "/sys/bus/usb/devices/usb1", "/usb1", elsewhere)
		}, false},
		"a USB device of some kind": {`<hostdev mode="subsystem" type="usb"><source><vendor id="0x951"/><product id="0x1666"/></source></hostdev>`, usb, true},
		"a mediated device":         {`<hostdev mode="subsystem" type="mdev"><source><address uuid="c2177883-f1bb-47f0-914d-32a22e3a8804"/></source></hostdev>`, func(b *invented.Builder, at facts.Address) { b.Function(at).Class = 0x030000 }, true},
		"a card that is shared": {`<interface type="direct"><source dev="eth7" mode="bridge"/></interface>`, func(b *invented.Builder, at facts.Address) {
			b.Function(at).Interfaces = []facts.Interface{{Name: "eth7"}}
		}, true},
		"a card that is shared, through what is built on it": {`<interface type="direct"><source dev="br0.7" mode="bridge"/></interface>`, func(b *invented.Builder, at facts.Address) {
			b.Function(at).Interfaces = []facts.Interface{{Name: "eth7", Built: []facts.Built{{Name: "br0", On: "eth7"}, {Name: "br0.7", On: "br0"}}}}
		}, true},
		"another bridge than the card is in": {`<interface type="direct"><source dev="br1" mode="bridge"/></interface>`, func(b *invented.Builder, at facts.Address) {
			b.Function(at).Interfaces = []facts.Interface{{Name: "eth7", Built: []facts.Built{{Name: "br0", On: "nothing"}}}}
		}, false},
		"a network that nobody knows": {inNetwork, func(b *invented.Builder, at facts.Address) { b.Function(at).Class = 0x020000 }, true},
		"a network that gives the function": {inNetwork, func(b *invented.Builder, at facts.Address) {
			b.Survey.Libvirt.Networks = []facts.Network{{Name: "pool", Functions: []facts.Address{at}}}
		}, true},
		"a network that gives functions of its kind": {inNetwork, func(b *invented.Builder, at facts.Address) {
			b.Survey.Libvirt.Networks = []facts.Network{{Name: "pool", Cards: []string{"eth7"}}}
			parent := b.NVMe("PARENT")
			b.Function(parent).Interfaces = []facts.Interface{{Name: "eth7"}}
			b.Function(at).Parent = &parent
		}, true},
		"a network that gives nothing": {inNetwork, func(b *invented.Builder, at facts.Address) {
			b.Function(at).Class = 0x020000
			b.Survey.Libvirt.Networks = []facts.Network{{Name: "pool"}}
		}, false},
		"a VFIO group": {`<disk type="block"><source dev="/dev/vfio/77"/><target dev="vdz"/></disk>`, func(b *invented.Builder, at facts.Address) {
			group := 77
			b.Function(at).Group, b.Function(at).Driver = &group, "vfio-pci"
		}, true},
		"another VFIO group": {`<disk type="block"><source dev="/dev/vfio/78"/><target dev="vdz"/></disk>`, func(b *invented.Builder, at facts.Address) {
			group := 77
			b.Function(at).Group, b.Function(at).Driver = &group, "vfio-pci"
		}, false},
	}
	for name, c := range cases {
		for _, runs := range []bool{true, false} {
			b := invented.NewBuilder()
			at := b.NVMe("SN-1", "start", "shelf")
			b.Guest("other", "/srv/images/other.qcow2")
			b.Device("other", c.device)
			if c.change != nil {
				c.change(b, at)
			}
			if runs {
				b.Run("other")
			}
			ix := facts.NewIndex(&b.Survey)
			used := slices.ContainsFunc(ix.Uses(at), func(u facts.Use) bool { return u.Kind == facts.UseGuest && u.User == "other" })
			live := slices.ContainsFunc(ix.LiveUses(at), func(u facts.Use) bool { return u.Kind == facts.UseGuest && u.User == "other" })
			assert.Equal(t, c.used, used, name)
			assert.Equal(t, c.used && runs && c.device != inNetwork, live, name)
		}
	}
}

const scsiDevice = `<hostdev mode="subsystem" type="scsi"><source><adapter name="scsi_host0"/><address bus="0" target="1" unit="0"/></source></hostdev>`

const inNetwork = `<interface type="network"><source network="pool"/></interface>`
