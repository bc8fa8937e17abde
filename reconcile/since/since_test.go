package since_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/since"
	"lendkeep/spec"
)

// host is the host that all begin with: reel with a shelf, a spare drive, a card.
func host() *invented.Builder {
	b := invented.NewBuilder()
	reel := b.NVMe("RL-4410-0073", "start", "shelf")
	b.NVMe("RL-4410-0088")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Guest("grading", "/srv/images/grading.qcow2", b.Identity("reel", reel))
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	return b
}

func address(bus uint8) facts.Address { return facts.Address{Bus: bus} }

func texts(list []since.Change) []string {
	texts := []string{}
	for _, c := range list {
		texts = append(texts, c.Text)
	}
	return texts
}

func TestChanges(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(b *invented.Builder)
		want   []string
	}{
		{"nothing", func(*invented.Builder) {}, []string{}},
		{"a kernel", func(b *invented.Builder) { b.Survey.Machine.Kernel = "6.12" }, []string{"the kernel was 6.1.0-56-amd64, is 6.12"}},
		{"another machine", func(b *invented.Builder) { b.Survey.Machine.ID = "b" }, []string{"this is another machine: the older survey was taken on larch"}},
		{"a card", func(b *invented.Builder) { b.NVMe("RL-4410-0119") }, []string{"QEMU NVMe Ctrl RL-4410-0119 is new at 0000:03:00.0"}},
		{"a serial gone", func(b *invented.Builder) { b.Survey.Functions = b.Survey.Functions[:1] },
			[]string{"QEMU NVMe Ctrl RL-4410-0088 is gone; it was at 0000:02:00.0"}},
		{"a serial not seen", func(b *invented.Builder) {
			b.Survey.Functions = b.Survey.Functions[:1]
			b.Survey.Gaps = []facts.Gap{{Fact: "PCI functions", Path: "/sys/bus/pci/devices", Reason: "permission denied"}}
		}, []string{"QEMU NVMe Ctrl RL-4410-0088 is not seen; it was at 0000:02:00.0", "not known any more: PCI functions (/sys/bus/pci/devices: permission denied)"}},
		{"an address", func(b *invented.Builder) { b.Function(address(2)).Address.Bus = 7 },
			[]string{"QEMU NVMe Ctrl RL-4410-0088 has moved from 0000:02:00.0 to 0000:07:00.0"}},
		{"two that changed places", func(b *invented.Builder) {
			one, two := b.Function(address(1)), b.Function(address(2))
			one.NVMe.Serial, two.NVMe.Serial = two.NVMe.Serial, one.NVMe.Serial
		}, []string{"QEMU NVMe Ctrl RL-4410-0073 has moved from 0000:01:00.0 to 0000:02:00.0",
			"partition start of QEMU NVMe Ctrl RL-4410-0073 at 0000:02:00.0 is gone", "partition shelf of QEMU NVMe Ctrl RL-4410-0073 at 0000:02:00.0 is gone",
			"QEMU NVMe Ctrl RL-4410-0088 has moved from 0000:02:00.0 to 0000:01:00.0",
			"partition start of QEMU NVMe Ctrl RL-4410-0088 at 0000:01:00.0 is new", "partition shelf of QEMU NVMe Ctrl RL-4410-0088 at 0000:01:00.0 is new"}},
		{"another card in its place", func(b *invented.Builder) { b.Function(address(2)).NVMe.Serial = "RL-4410-0119" },
			[]string{"QEMU NVMe Ctrl RL-4410-0088 is gone; it was at 0000:02:00.0", "QEMU NVMe Ctrl RL-4410-0119 is new at 0000:02:00.0"}},
		{"what goes over a card", func(b *invented.Builder) {
			b.Function(address(2)).Interfaces = []facts.Interface{{Name: "eth3", Up: true, Addresses: []string{"192.0.2.7/24", "2001:db8::77/64"}, Passing: []string{"2001:db8::77/64"}, Default: true}, {Name: "eth4", Up: true}}
		}, []string{"what is up of QEMU NVMe Ctrl RL-4410-0088 at 0000:02:00.0 was none, is eth3 (192.0.2.7/24, default route), eth4"}},
		{"another card of its kind in its place", func(b *invented.Builder) { b.Function(address(2)).DeviceSerial = "00-00-00-00-00-00-00-02" },
			[]string{"the device serial number of QEMU NVMe Ctrl RL-4410-0088 at 0000:02:00.0 was none, is 00-00-00-00-00-00-00-02"}},
		{"put aside", func(b *invented.Builder) {
			f := b.Function(address(2))
			f.Driver, f.NVMe = "vfio-pci", nil
		}, []string{"QEMU NVMe Ctrl RL-4410-0088 at 0000:02:00.0 was with driver nvme, is aside on vfio-pci"}},
		{"a name of a partition", func(b *invented.Builder) { b.Block("nvme0n1p2").Partition.Name = "stacks" },
			[]string{"the name of partition shelf of QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0 was shelf, is stacks"}},
		{"a filesystem", func(b *invented.Builder) { b.Block("nvme0n1p2").Signature = nil },
			[]string{"what partition shelf of QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0 holds was xfs, is none"}},
		{"a mount", func(b *invented.Builder) { b.Survey.Mounts = b.Survey.Mounts[:1] }, []string{"/srv/shelf is no longer mounted; xfs of shelf was mounted there"}},
		{"a guest", func(b *invented.Builder) { b.Guest("scanner-desk", "/srv/images/x.qcow2") }, []string{"guest scanner-desk is new and shut off"}},
		{"a guest gone", func(b *invented.Builder) { b.Survey.Libvirt.Guests = b.Survey.Libvirt.Guests[:1] }, []string{"guest catalogue is gone"}},
		{"libvirt silent", func(b *invented.Builder) {
			b.Survey.Libvirt = facts.Virtualization{URI: b.Survey.Libvirt.URI, Gaps: []facts.Gap{{Fact: "guests and pools", Path: "qemu:///system", Reason: "no answer"}}}
		}, []string{"guest grading is not seen", "guest catalogue is not seen", "not known any more: guests and pools (qemu:///system: no answer)"}},
		{"a start", func(b *invented.Builder) { b.Run("catalogue") }, []string{"guest catalogue was shut off, is running"}},
		{"a definition", func(b *invented.Builder) { b.Edit("catalogue", "</devices>", "<rng model='virtio'/></devices>") }, []string{"the definition of guest catalogue has changed"}},
		{"a definition that is written otherwise", func(b *invented.Builder) { b.Survey.Libvirt.Guests[1].Kept.XML += "\n" }, []string{}},
		{"memory of a guest", func(b *invented.Builder) {
			d := b.Survey.Libvirt.Guests[1].Kept
			d.XML, d.MemoryBytes = strings.Replace(d.XML, "</domain>", "<title>more</title></domain>", 1), 3<<30
		}, []string{"the memory of guest catalogue was 1.0 GiB, is 3.0 GiB"}},
		{"a pool", func(b *invented.Builder) {
			b.Survey.Libvirt.Pools = append(b.Survey.Libvirt.Pools, facts.Pool{Name: "images", Kind: "dir"})
		}, []string{"pool images is new"}},
		{"an IOMMU's registers", func(b *invented.Builder) {
			b.Survey.Machine.Units = []facts.IOMMUUnit{{Name: "dmar0", Cap: 0x27, Extended: 8}}
		},
			[]string{"what the IOMMUs can was none, is dmar0 27 8"}},
		{"what VFIO will be told", func(b *invented.Builder) {
			b.Survey.Machine.VFIO = []facts.ModuleSetting{{Name: "vfio_pci.disable_idle_d3", Value: "N", Loaded: true}, {Name: "vfio_pci.disable_idle_d3", Value: "1", From: "/etc/modprobe.d/x.conf"}}
		}, []string{"how VFIO will be set was none, is vfio_pci.disable_idle_d3=1 in /etc/modprobe.d/x.conf"}},
		{"a limit of all guests", func(b *invented.Builder) { b.Survey.Machine.LimitBytes = 8 << 30 },
			[]string{"what all guests together may have of the memory was none, is 8.0 GiB"}},
		{"swap", func(b *invented.Builder) { b.Survey.Swaps = append(b.Survey.Swaps, facts.Swap{Path: "/dev/zram0"}) }, []string{"the host swaps to /dev/zram0 now"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			before, after := host(), host()
			before.Survey.Machine.ID, after.Survey.Machine.ID = "a", "a"
			c.change(after)
			assert.Equal(t, c.want, texts(since.Changes(facts.NewIndex(&before.Survey), facts.NewIndex(&after.Survey))))
		})
	}
}

// What the older survey could not see may have been there.
func TestChangesAfterGaps(t *testing.T) {
	before, after := host(), host()
	before.Survey.Libvirt = facts.Virtualization{URI: before.Survey.Libvirt.URI, Gaps: []facts.Gap{{Fact: "guests and pools", Path: "qemu:///system", Reason: "no answer"}}}
	before.Survey.Functions = before.Survey.Functions[:1]
	before.Survey.Gaps = []facts.Gap{{Fact: "functions", Path: "/sys/bus/pci/devices", Reason: "permission denied"}}
	assert.Equal(t, []string{"QEMU NVMe Ctrl RL-4410-0088 is new (or was not seen before) at 0000:02:00.0",
		"guest grading is new (or was not seen before) and shut off", "guest catalogue is new (or was not seen before) and shut off"},
		texts(since.Changes(facts.NewIndex(&before.Survey), facts.NewIndex(&after.Survey))))
}

// lost takes away what could not be read, and says so.
func lost(b *invented.Builder) {
	at := func(gaps *[]facts.Gap, names ...string) {
		for _, name := range names {
			*gaps = append(*gaps, facts.Gap{Fact: name, Path: "/sys", Reason: "permission denied"})
		}
	}
	f := b.Function(address(1))
	f.Driver, f.Group, f.Slot, f.ResetMethods, f.Virtual, f.Link = "", nil, "", nil, 0, nil
	f.NVMe.Serial, f.NVMe.Firmware, f.NVMe.Namespaces[0].SizeBytes = "", "", 0
	at(&f.Gaps, "driver", "group", "reset_method", "virtual_functions", "link", "nvme.serial", "nvme.firmware")
	part := b.Block("nvme0n1p2")
	part.Signature, part.Partition.Name, part.SizeBytes = nil, "", 0
	at(&part.Gaps, "signature", "size_bytes")
	m := &b.Survey.Machine
	m.Kernel, m.CommandLine, m.MemoryBytes, m.CPUs, m.IOMMUs = "", "", 0, 0, 0
	at(&b.Survey.Gaps, "machine.kernel", "machine.command_line", "machine.memory_bytes", "machine.cpus", "machine.iommus", "functions.slot", "swaps", "mounts")
	b.Survey.Swaps, b.Survey.Mounts = nil, b.Survey.Mounts[:1]
	b.Survey.Libvirt.Guests[1].Kept, b.Survey.Libvirt.Pools = nil, nil
	at(&b.Survey.Libvirt.Gaps, "kept definition of guest catalogue")
}

// What could not be read is told as that: nothing is gone, new or another for it, in
// neither direction.
func TestGapsAreNoChanges(t *testing.T) {
	whole := func() *invented.Builder {
		b := host()
		f := b.Function(address(1))
		f.Slot, f.ResetMethods, f.Virtual, f.Link, f.NVMe.Firmware = "4", []string{"flr"}, 2, &facts.Link{Width: 4, MaxWidth: 4, MaxSpeedMTps: 8000}, "1.0"
		b.Survey.Machine.CommandLine, b.Survey.Machine.IOMMUs = "quiet", 1
		b.Survey.Swaps = []facts.Swap{{Path: "/dev/zram0"}}
		b.Survey.Libvirt.Pools = []facts.Pool{{Name: "images", Kind: "dir"}}
		return b
	}
	before, after := whole(), whole()
	lost(after)
	was, is := facts.NewIndex(&before.Survey), facts.NewIndex(&after.Survey)
	wrong := regexp.MustCompile(`, is |\bgone\b|no longer|does not|any more$| now$|is new$`)
	told := strings.Join(texts(since.Changes(was, is)), "\n")
	for _, want := range []string{
		"the kernel could not be read; it was 6.1.0-56-amd64", "at 0000:01:00.0 was with driver nvme, is with a driver that could not be read",
		"the IOMMU group of QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0 could not be read; it was its own", "the slot of ", "what resets ", "the link of ", "the serial of ",
		"what partition shelf of QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0 holds could not be read; it was xfs", "the size of partition shelf of ",
		"/srv/shelf is not seen; xfs of shelf was mounted there", "the host is not seen to swap to /dev/zram0 any more",
		"the kept definition of guest catalogue is not seen", "pool images is not seen", "not known any more: swaps (/sys: permission denied)",
	} {
		assert.Contains(t, told, want)
	}
	for _, text := range texts(since.Changes(was, is)) {
		if !strings.Contains(text, "is with a driver that could not be read") && !strings.Contains(text, "is not seen to swap") {
			assert.NotRegexp(t, wrong, text)
		}
	}
	for _, text := range texts(since.Changes(is, was)) {
		assert.NotRegexp(t, wrong, text)
		assert.Contains(t, text, "was not seen before")
	}
}

const layout = `host "larch" {}
controller "reel" {
  nvme {
    serial = "RL-4410-0073"
  }
  drive {
    partition "shelf" {
      size = rest()
    }
  }
  return {
    mount "shelf" {
      at = "/srv/shelf"
    }
  }
}
guest "grading" {
  borrows = [controller.reel]
}
`

func TestTouch(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "larch.hcl"), []byte(layout), 0o600))
	stated, diagnostics := spec.Load(dir, spec.Given{Known: true, MemoryBytes: 1 << 34, CPUs: 8, HostName: "larch"})
	require.False(t, diagnostics.HasErrors(), diagnostics)
	for _, c := range []struct {
		name   string
		change func(b *invented.Builder)
		want   []string
	}{
		{"its address", func(b *invented.Builder) { b.Function(address(1)).Slot = "4" }, []string{"controller reel larch.hcl:2"}},
		{"another's address", func(b *invented.Builder) { b.Function(address(2)).Slot = "4" }, nil},
		{"its end", func(b *invented.Builder) { b.Survey.Functions = b.Survey.Functions[1:] }, []string{"controller reel larch.hcl:2"}},
		{"its partition", func(b *invented.Builder) { b.Block("nvme0n1p2").Signature.Kind = "ext4" },
			[]string{"partition shelf of controller reel larch.hcl:7", "mount shelf of controller reel larch.hcl:12"}},
		{"a mount", func(b *invented.Builder) { b.Survey.Mounts = b.Survey.Mounts[:1] }, []string{"mount shelf of controller reel larch.hcl:12"}},
		{"a guest", func(b *invented.Builder) { b.Run("grading") }, []string{"guest grading larch.hcl:17"}},
		{"another guest", func(b *invented.Builder) { b.Run("catalogue") }, nil},
		{"the host", func(b *invented.Builder) { b.Survey.Machine.Name = "oak" }, []string{"host larch.hcl:1"}},
		{"a kernel", func(b *invented.Builder) { b.Survey.Machine.Kernel = "6.12" }, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			before, after := host(), host()
			c.change(after)
			was, is := facts.NewIndex(&before.Survey), facts.NewIndex(&after.Survey)
			changes := since.Changes(was, is)
			require.NotEmpty(t, changes)
			since.Touch(changes, stated, was, is)
			var got []string
			for _, s := range changes[0].Touches {
				got = append(got, s.What+" "+s.At.String())
			}
			assert.Equal(t, c.want, got, changes[0].Text)
		})
	}
}

// Of a host with itself nothing has changed; of what was added to one, the way
// there and back tell the same number of things.
func TestRandomHosts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		one, _ := invented.Random(t)
		ix := facts.NewIndex(&one)
		require.Empty(t, since.Changes(ix, ix))
		two := one
		two.Functions, two.Libvirt.Guests = nil, nil
		require.Len(t, since.Changes(ix, facts.NewIndex(&two)), len(since.Changes(facts.NewIndex(&two), ix)))
	})
}
