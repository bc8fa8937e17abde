package assess_test

import (
	"maps"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/spec"
)

func init() { maps.Copy(cases, bootCases) }

const (
	plain  = "/usr/share/OVMF/plain.fd"
	secure = "/usr/share/OVMF/secure.fd"
	keyed  = "/usr/share/OVMF/keyed-vars.fd"
)

// firmware has the host hold one image that libvirt chooses, with or without
// the NVMe driver; with keys it comes with Secure Boot on.
func (b *bench) firmware(nvme facts.Held, image string) {
	d := facts.Descriptor{File: "/usr/share/qemu/firmware/10.json", Image: image, UEFI: true,
		Targets: []facts.MachineTarget{{Architecture: "x86_64", Machines: []string{"pc-q35-*"}}}}
	if image == secure {
		d.Features, d.Template = []string{"secure-boot", "enrolled-keys", "requires-smm"}, keyed
		b.Survey.Stores = []facts.VariableStore{{Path: keyed, Keys: facts.Present}}
	}
	why := ""
	if nvme == facts.Unknown {
		why = "section 3 does not unpack"
	}
	b.Survey.Descriptors = []facts.Descriptor{d}
	b.Survey.Firmware = []facts.Firmware{{Path: image, SHA256: "5ee", NVMe: nvme, Shell: facts.Present, Why: why}}
}

// shim states one for grading, from a donor that the survey has looked at.
func (b *bench) shim(as string) {
	b.layout.Shims = []spec.Shim{{Name: "start", Donor: "/srv/donor.fd", As: as}}
	b.layout.Guests[0].Shim = &spec.Ref{Name: "start"}
	b.Survey.Firmware = append(b.Survey.Firmware, facts.Firmware{Path: "/srv/donor.fd", SHA256: "d0", NVMe: facts.Present, Shell: facts.Present, Driver: "0a1b2c3d"})
}

// untyped has no partition of the drive be an EFI system partition.
func (b *bench) untyped() {
	for _, name := range []string{"nvme0n1p1", "nvme0n1p2"} {
		b.Block(name).Partition.Type = "0fc63daf-8483-4772-8e79-3d69d8477de4" // Linux data, Discoverable Partitions Specification
	}
}

// redefine has libvirt hold another definition of a guest.
func (b *bench) redefine(t interface{ Errorf(string, ...any) }, guest int, was, becomes string) {
	g := &b.Survey.Libvirt.Guests[guest]
	if !strings.Contains(g.Kept.XML, was) {
		t.Errorf("the definition does not hold %q", was)
	}
	kept, err := definition.Read(strings.Replace(g.Kept.XML, was, becomes, 1))
	if err != nil {
		t.Errorf("%v", err)
	}
	g.Kept = &kept
}

// panics stands in for a test where a table's entry has none.
type panics struct{}

func (panics) Errorf(format string, values ...any) { panic(format) }

var bootCases = map[string]struct {
	change   func(*bench)
	check    string
	severity assess.Severity
	tells    string
}{
	"firmware reads NVMe": {func(b *bench) { b.firmware(facts.Present, plain) },
		"boot", assess.Note, "sha256 5ee"},
	"firmware reads NVMe, so no shim is needed": {func(b *bench) { b.firmware(facts.Present, plain); b.shim("rom") },
		"boot", assess.Note, "is not used"},
	"firmware lacks the driver": {func(b *bench) { b.firmware(facts.Absent, plain) },
		"boot", assess.Stop, "state a shim"},
	"firmware that cannot be read in full": {func(b *bench) { b.firmware(facts.Unknown, plain) },
		"boot", assess.Caution, "section 3 does not unpack"},
	"no firmware was looked at": {func(b *bench) {},
		"boot", assess.Caution, "descriptors"},
	"firmware that nobody looked at": {func(b *bench) { b.layout.Guests[0].Firmware = "/srv/own.fd" },
		"boot", assess.Caution, "/srv/own.fd"},
	"firmware lacks the driver, a shim brings it": {func(b *bench) { b.firmware(facts.Absent, plain); b.shim("rom") },
		"boot", assess.Note, "brings one"},
	"firmware may lack the driver, a shim brings it": {func(b *bench) { b.firmware(facts.Unknown, plain); b.shim("disk") },
		"boot", assess.Note, "does no harm"},
	"Secure Boot and a shim": {func(b *bench) { b.firmware(facts.Absent, secure); b.shim("rom") },
		"boot", assess.Stop, keyed},
	"perhaps Secure Boot, and a shim": {func(b *bench) { b.firmware(facts.Absent, secure); b.shim("rom"); b.Survey.Stores = nil },
		"boot", assess.Caution, "did not look at " + keyed},
	"donor without the driver": {func(b *bench) {
		b.firmware(facts.Absent, plain)
		b.shim("rom")
		b.Survey.Firmware[1].NVMe = facts.Absent
	}, "boot", assess.Stop, "/srv/donor.fd"},
	"donor without a shell": {func(b *bench) {
		b.firmware(facts.Absent, plain)
		b.shim("disk")
		b.Survey.Firmware[1].Shell = facts.Absent
	}, "boot", assess.Stop, "UEFI Shell absent"},
	"donor that nobody looked at": {func(b *bench) {
		b.firmware(facts.Absent, plain)
		b.shim("rom")
		b.Survey.Firmware = b.Survey.Firmware[:1]
	}, "boot", assess.Caution, "/srv/donor.fd"},
	"BIOS": {func(b *bench) { b.layout.Guests[0].Firmware = "bios" },
		"boot", assess.Caution, `firmware = "uefi"`},
	"BIOS and a shim": {func(b *bench) { b.layout.Guests[0].Firmware = "bios"; b.shim("rom") },
		"boot", assess.Stop, "made for UEFI alone"},
	"boots from no NVMe controller": {func(b *bench) {
		b.firmware(facts.Absent, plain)
		b.Function(b.reel).Class = 0x010601
	}, "boot", assess.Caution, "no NVMe controller"},
	"a boot order without the drive": {func(b *bench) {
		b.layout.Guests[0].Boots = nil
		b.redefine(panics{}, 0, "<target dev='vda' bus='virtio'/>", "<target dev='vda' bus='virtio'/><boot order='1'/>")
	}, "boot", assess.Caution, "names disk vda and not reel"},
	"a boot order by kind without the drive": {func(b *bench) {
		b.layout.Guests[0].Boots = nil
		b.redefine(panics{}, 0, "</os>", "<boot dev='hd'/></os>")
	}, "boot", assess.Caution, "deletes the boot entry"},
	"another file where the ROM goes": {func(b *bench) {
		b.firmware(facts.Absent, plain)
		b.shim("rom")
		b.Survey.ROMs = []facts.PlacedROM{{ROM: facts.ROM{Path: "/usr/share/qemu/lendkeep-reel-0a1b2c3d.rom"}, Why: "torn"}}
	}, "boot", assess.Stop, "torn"},
	"no folder for the ROM": {func(b *bench) {
		b.firmware(facts.Absent, plain)
		b.shim("rom")
		b.Survey.ROMGap = "file does not exist"
	},
		"boot", assess.Caution, "install QEMU"},
	"a ROM that cannot be placed": {func(b *bench) {
		b.firmware(facts.Absent, plain)
		b.shim("rom")
		b.Survey.ROMGap = "file does not exist"
	},
		"not-carried-out", assess.Caution, "--as rom"},
	"a shim is needed": {func(b *bench) { b.firmware(facts.Absent, plain); b.shim("disk") },
		"not-carried-out", assess.Caution, "lendkeep shim build --donor /srv/donor.fd --as disk"},
}

// An image that only the definition names holds a start up just as well.
func TestImageOfTheDefinitionIsMissing(t *testing.T) {
	b := newBench()
	b.shift = "day"
	assert.Empty(t, checked(b, "guest-disk"))
	b.Survey.Paths[0].Missing = true // grading's
	list := checked(b, "guest-disk")
	require.Len(t, list, 1)
	assert.Equal(t, assess.Stop, list[0].Severity)
	assert.Contains(t, list[0].Causes[0].Path, "/srv/images/grading.qcow2")
	b.shift = "night"
	assert.Empty(t, checked(b, "guest-disk"), "it is not to be started")
}

func checked(b *bench, check string) []assess.Finding {
	var list []assess.Finding
	for _, f := range b.findings() {
		if f.Check == check && f.Severity != assess.Note {
			list = append(list, f)
		}
	}
	return list
}

// What is in order has no more than a note.
func TestSoundBootsAreSilent(t *testing.T) {
	for name, change := range map[string]func(*bench){
		"native":                   func(b *bench) { b.firmware(facts.Present, plain) },
		"native, with Secure Boot": func(b *bench) { b.firmware(facts.Present, secure) },
		"by a shim":                func(b *bench) { b.firmware(facts.Absent, plain); b.shim("rom") },
		"shim, Secure Boot possible": func(b *bench) {
			b.firmware(facts.Absent, secure)
			b.shim("rom")
			b.Survey.Stores[0].Keys = facts.Absent
		},
		"only keeps files there": func(b *bench) {
			b.layout.Guests[0].Boots = nil
			b.redefine(t, 0, "</os>", "<boot dev='hd'/></os>")
			b.untyped() // so that there is no entry to lose
		},
		"no boot order at all": func(b *bench) { b.layout.Guests[0].Boots = nil },
		"a retired guest":      func(b *bench) { b.layout.Guests[0].Retired = true },
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			change(b)
			assert.Empty(t, checked(b, "boot"))
		})
	}
}

// An option ROM is the order's own work; once it is in place nothing is left.
func TestOptionROMIsCarriedOut(t *testing.T) {
	b := newBench()
	b.firmware(facts.Absent, plain)
	b.shim("rom")
	c := assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil)
	assert.Empty(t, checked(b, "not-carried-out"))
	rom := c.Change(&b.layout.Guests[0]).ROM
	require.NotNil(t, rom)
	assert.Equal(t, facts.ROMFor(b.Identity("reel", b.reel), "0a1b2c3d"), rom.ROM)
	b.firmware(facts.Present, plain)
	b.shim("rom")
	c = assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil)
	assert.Nil(t, c.Change(&b.layout.Guests[0]).ROM, "firmware that reads NVMe needs none")
}

// A guest that the order makes has BIOS unless the layout says otherwise.
func TestNewGuestHasNoUEFIByItself(t *testing.T) {
	b := newBench()
	b.firmware(facts.Present, plain)
	fresh := invented.Guest("fresh", "reel")
	fresh.Memory = &spec.Memory{SizeBytes: 1 << 30}
	b.layout.Guests = append(b.layout.Guests, fresh)
	list := checked(b, "boot")
	require.Len(t, list, 1)
	assert.Contains(t, list[0].Summary, "fresh has BIOS")
	b.layout.Guests[2].Firmware = "uefi"
	assert.Empty(t, checked(b, "boot"))
}
