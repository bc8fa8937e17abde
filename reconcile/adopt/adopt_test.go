package adopt_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/adopt"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// larch is a host as people have them: one drive with the disk of catalogue, which
// grading has in its definition; another that nobody uses; a guest beside all that.
func larch() *invented.Builder {
	b := invented.NewBuilder()
	reel := b.NVMe("RL-4410-0073", "start", "shelf")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.NVMe("RL-4410-0088", "films")
	b.Guest("grading", "/srv/images/grading.qcow2")
	b.Hold("grading", reel)
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	b.Guest("desk", "/srv/images/desk.qcow2")
	return b
}

func adopted(t require.TestingT, survey *facts.Survey) adopt.Adopted {
	survey.Sort()
	a, err := adopt.From(facts.NewIndex(survey))
	require.NoError(t, err)
	return a
}

// A card of which a guest has all functions in one slot of its own is one controller,
// which an order leaves as it is; else each function is one.
func TestAdoptsAWholeSlot(t *testing.T) {
	b := larch()
	at := b.Screen()
	b.Guest("films", "/srv/images/films.qcow2", b.Whole("screen", at))
	a := adopted(t, &b.Survey)
	assert.Contains(t, file(a, "controllers.hcl"), `# Invented Graphics at 0000:e0:00.0, with Invented Sound at 0000:e0:00.1.
controller "screen" {
  pci {
    functions = ["10de:2484", "10de:228b"]
  }
}
`)
	assert.Contains(t, file(a, "guests.hcl"), "borrows = [controller.screen]")
	assert.NotContains(t, file(a, "controllers.hcl"), `device = "228b"`)

	b = larch()
	at = b.Screen()
	b.Guest("films", "/srv/images/films.qcow2")
	b.Hold("films", at)
	at.Function = 1
	b.Hold("films", at)
	assert.Contains(t, file(adopted(t, &b.Survey), "controllers.hcl"), `device = "228b"`)
}

// A virtual function that a guest has is stated by what makes it, which is stated too;
// another one that may be lent stands in a comment.
func TestAdoptsVirtualFunctions(t *testing.T) {
	b := larch()
	at := b.Ethernet()
	v := b.Virtual(at, 3, 7, "igbvf")
	b.Guest("films", "/srv/images/films.qcow2")
	b.Hold("films", v[2])
	a := adopted(t, &b.Survey)
	hardware := file(a, "controllers.hcl")
	assert.Contains(t, hardware, `
controller "network" {
  virtual_functions = 3

  pci {
    vendor = "8086"
    device = "10c9"
  }
}
`)
	assert.Contains(t, hardware, `
controller "network-v2" {
  virtual {
    of     = controller.network
    number = 2
  }
}
`)
	assert.Contains(t, hardware, "/*\ncontroller \"network-v0\" {\n  virtual {")
	assert.Contains(t, file(a, "guests.hcl"), "borrows = [controller.network-v2]")

	b = larch()
	at = b.Ethernet()
	b.Guest("films", "/srv/images/films.qcow2", b.Virtually("port2", "card", b.Virtual(at, 3, 7, "igbvf")[2]))
	hardware = file(adopted(t, &b.Survey), "controllers.hcl")
	assert.Contains(t, hardware, "controller \"port2\" {\n  virtual {", "as it was called before")

	b.Ethernet()
	a = adopted(t, &b.Survey)
	assert.NotContains(t, file(a, "controllers.hcl"), "virtual {")
	assert.Contains(t, strings.Join(a.Told, "\n"), "cannot be stated")
}

// A card that may be lent as a whole alone is offered so.
func TestOffersAWholeSlot(t *testing.T) {
	b := larch()
	b.Screen()
	a := adopted(t, &b.Survey)
	assert.Contains(t, file(a, "controllers.hcl"), `controller "graphics" {
  pci {
    functions = ["10de:2484", "10de:228b"]
  }
}
`)
	assert.Contains(t, file(a, "controllers.hcl"), "with Invented Sound at 0000:e0:00.1: may\n# be lent.")
	assert.Equal(t, []string{"rl-4410-0088", "graphics"}, a.Lent)
	taken := 0
	for n := range a.Lent {
		files, _ := uncommented(a, n)
		layout, ds := spec.LoadSources("", files, spec.Given{})
		require.False(t, ds.HasErrors(), ds)
		if c := layout.Controller("graphics"); c != nil {
			taken++
			assert.False(t, assess.Stops(assess.Assess(assess.NewCase(layout, facts.NewIndex(&b.Survey), nil))))
		}
	}
	assert.Equal(t, 1, taken)
}

// A card is stated by the number that it has of its maker where others are of its kind,
// whether it is one function or a whole slot; by its slot where that number is not its own.
func TestAdoptsByDeviceSerial(t *testing.T) {
	b := larch()
	one, two := b.Screen(), b.Screen()
	for n, at := range []facts.Address{one, two} {
		for _, f := range []*facts.Function{b.Function(at), b.Function(facts.Address{Bus: at.Bus, Function: 1})} {
			f.Slot, f.DeviceSerial = fmt.Sprint(n+1), fmt.Sprintf("00-00-00-00-00-00-00-0%d", n+1)
		}
	}
	b.Guest("films", "/srv/images/films.qcow2", b.Whole("screen", one))
	b.Hold("films", two)
	b.Hold("films", facts.Address{Bus: two.Bus, Function: 1})
	stated := file(adopted(t, &b.Survey), "controllers.hcl")
	assert.Contains(t, stated, `  pci {
    functions     = ["10de:2484", "10de:228b"]
    device_serial = "00-00-00-00-00-00-00-01"
  }
`)
	assert.Contains(t, stated, `  pci {
    vendor        = "10de"
    device        = "228b"
    device_serial = "00-00-00-00-00-00-00-02"
  }
`)
	b.Function(two).DeviceSerial = "00-00-00-00-00-00-00-01"
	assert.Contains(t, file(adopted(t, &b.Survey), "controllers.hcl"), `  pci {
    functions = ["10de:2484", "10de:228b"]
    slot      = "1"
  }
`)
	b.Function(two).DeviceSerial, b.Function(two).Gaps = "", []facts.Gap{{Fact: "device_serial", Path: "config", Reason: "a loop"}}
	assert.Contains(t, file(adopted(t, &b.Survey), "controllers.hcl"), `    slot      = "1"`, "it may be the same number")
}

func file(a adopt.Adopted, name string) string {
	for _, f := range a.Files {
		if f.Name == name {
			return string(f.Bytes)
		}
	}
	return ""
}

func TestAdopts(t *testing.T) {
	a := adopted(t, &larch().Survey)
	assert.Equal(t, `# QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0, nvme0n1 of 2.0 GiB.
controller "rl-4410-0073" {
  nvme {
    serial = "RL-4410-0073"
  }

  drive {
    partition "shelf" {
      size   = rest()
      format = "xfs"
    }
  }

  return {
    mount "shelf" {
      at      = "/srv/shelf"
      options = ["noatime"]
    }
  }
}

# QEMU NVMe Ctrl RL-4410-0088 at 0000:02:00.0, nvme1n1 of 2.0 GiB: may be
# lent.
# Take away the two comment signs, and guest desk borrows it; it is only an
# example, name another.
/*
controller "rl-4410-0088" {
  nvme {
    serial = "RL-4410-0088"
  }
}

guest "desk" {
  borrows = [controller.rl-4410-0088]
}
*/
`, file(a, "controllers.hcl"))
	assert.Equal(t, `# It is shut off. Disk vda: /srv/shelf/catalogue.qcow2. It lives on
# rl-4410-0073.
guest "catalogue" {
  cpu {
    count = 1
  }

  memory {
    size = gib(1)
  }

  disk "vda" {
    image = "/srv/shelf/catalogue.qcow2"
    bus   = "virtio"
  }
}

# It is shut off. Disk vda: /srv/images/grading.qcow2.
guest "grading" {
  borrows = [controller.rl-4410-0073]

  cpu {
    count = 1
  }

  memory {
    size = gib(1)
  }
}

# Guests of one shift can run together; lendkeep plan LAYOUT --shift NAME has
# them run.
shift "shift-1" {
  guests = [guest.catalogue]
}

shift "shift-2" {
  guests = [guest.grading]
}
`, file(a, "guests.hcl"))
	assert.Contains(t, file(a, "host.hcl"), "1 guest.\nhost \"larch\" {\n")
	assert.Equal(t, []string{"desk"}, a.LeftOut)
	assert.Equal(t, []string{"rl-4410-0088"}, a.Lent)
	assert.Empty(t, a.Told)
}

// What cannot be carried over is told, in the file as on the screen, and an order
// changes nothing for it.
func TestTells(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*invented.Builder)
		tells  string
	}{
		"a name with a slash": {func(b *invented.Builder) {
			b.Guest("win/11", "")
			b.Hold("win/11", b.NVMe("SN-3"))
		}, "it has no slash"},
		"a name with a slash of one that lives there": {func(b *invented.Builder) { b.Guest("win/11", "/srv/shelf/w.qcow2") }, "Guest win/11, which lives on QEMU NVMe Ctrl RL-4410-0073"},
		"a serial that the language has no place for": {func(b *invented.Builder) {
			b.Hold("desk", b.NVMe("SN-\u00fc"))
		}, "NVMe allows printable ASCII only"},
		"a mount of a partition without a name": {func(b *invented.Builder) { b.Block("nvme0n1p2").Partition.Name = "" }, "no name of its own"},
		"two partitions of one name":            {func(b *invented.Builder) { b.Block("nvme0n1p1").Partition.Name = "shelf" }, "no name of its own"},
		"a mount of a partition of a size that is not known": {func(b *invented.Builder) {
			b.Block("nvme0n1p2").Gaps = []facts.Gap{{Fact: "size_bytes", Path: "/sys", Reason: "permission denied"}}
		}, "/srv/shelf, from QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0: how large its partition is could not be read"},
		"a mount in it": {func(b *invented.Builder) {
			b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: facts.Devno{Minor: 9}, Root: "/", Path: "/srv/shelf/x", Kind: "tmpfs", Source: "tmpfs"})
		}, "something else is mounted over it or in it"},
		"a part of a filesystem": {func(b *invented.Builder) { b.Survey.Mounts[1].Root = "/part" }, "only a part of a filesystem"},
		"a volume group":         {func(b *invented.Builder) { b.Mount(b.Mapper("vg-lv", "nvme0n1p1"), "/srv/deep") }, "/srv/deep, from QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0: it lies on what is made of the drive"},
		"a folder of the system": {func(b *invented.Builder) { b.Survey.Mounts[1].Path = "/opt/\u200b" }, "a layout cannot state it: at is not usable"},
		"libvirt does not rebind it": {func(b *invented.Builder) {
			b.Device("desk", "<hostdev mode='subsystem' type='pci' managed='no'><source><address domain='0x0000' bus='0x02' slot='0x00' function='0x0'/></source></hostdev>")
		}, "guest desk has it, and an order would change its definition: libvirt rebinds"},
		"a drive that is lent now and cannot say its serial": {func(b *invented.Builder) {
			at := b.NVMe("SN-3")
			b.Hold("desk", at)
			b.Run("desk")
			b.Function(at).NVMe, b.Function(at).Driver = nil, "vfio-pci"
		}, "guest desk has it now, so it cannot say its serial"},
		"a card that is lent now, without a note of it": {func(b *invented.Builder) {
			at := b.NVMe("SN-3")
			f := b.Function(at)
			f.NVMe, f.Driver, f.Device, f.Class, f.DeviceName = nil, "vfio-pci", 0x10d3, 0x020000, ""
			b.Hold("desk", at)
			b.Run("desk")
		}, "guest desk has it, and an order would shut down guest desk"},
		"a card of which the kind could not be read": {func(b *invented.Builder) {
			f := b.Function(b.NVMe("SN-3"))
			f.NVMe, f.Driver, f.Vendor, f.Device, f.Class = nil, "e1000e", 0, 0, 0x020000
			f.Gaps = []facts.Gap{{Fact: "vendor", Path: "/sys", Reason: "permission denied"}}
			b.Hold("desk", f.Address)
		}, "its vendor or device number could not be read, and nothing else states it"},
		"a card that is on VFIO": {func(b *invented.Builder) {
			at := b.NVMe("SN-3")
			f := b.Function(at)
			f.NVMe, f.Driver, f.Device, f.Class = nil, "vfio-pci", 0x10d3, 0x020000
			b.Hold("desk", at)
		}, "it is on VFIO although no guest has it"},
		"firmware that cannot read what the guest starts from": {func(b *invented.Builder) {
			b.Device("desk", "<hostdev mode='subsystem' type='pci' managed='yes'><source><address domain='0' bus='2' slot='0' function='0'/></source><boot order='1'/></hostdev>")
			b.Survey.Descriptors = []facts.Descriptor{{File: "/usr/share/qemu/firmware/10.json", Image: "/fw.fd", UEFI: true,
				Targets: []facts.MachineTarget{{Architecture: "x86_64", Machines: []string{"pc-q35-*"}}}}}
			b.Survey.Firmware = []facts.Firmware{{Path: "/fw.fd", SHA256: "5ee", NVMe: facts.Absent, Shell: facts.Present}}
		}, "Guest desk is stated by what it borrows alone: firmware of guest desk cannot read NVMe"},
		"an empty address": {func(b *invented.Builder) { b.Hold("desk", facts.Address{Bus: 0x77}) }, "0000:77:00.0, where nothing is"},
		"a network card of libvirt's": {func(b *invented.Builder) {
			b.Device("desk", "<interface type='hostdev'><source><address type='pci' domain='0' bus='2' slot='0' function='0'/></source></interface>")
		}, "as a <interface type='hostdev'>; remove that by hand"},
		"an argument for QEMU": {func(b *invented.Builder) {
			g := &b.Survey.Libvirt.Guests[2]
			d, err := definition.Read(strings.Replace(g.Kept.XML, "</domain>", "<q:commandline xmlns:q='http://libvirt.org/schemas/domain/qemu/1.0'><q:arg value='-device'/><q:arg value='vfio-pci,host=0000:02:00.0'/></q:commandline></domain>", 1))
			require.NoError(t, err)
			g.Kept = &d
		}, "in another form than a layout can state"},
		"libvirt does not answer": {func(b *invented.Builder) {
			b.Survey.Libvirt = facts.Virtualization{Gaps: []facts.Gap{{Fact: "guests", Path: "libvirt", Reason: "no answer"}}}
		}, "The guests of the host could not be read (no answer)"},
		"a host's name": {func(b *invented.Builder) { b.Survey.Machine.Name = "my_host" }, `The name of the host, "my_host"`},
	} {
		t.Run(name, func(t *testing.T) {
			b := larch()
			c.change(b)
			a := adopted(t, &b.Survey)
			assert.Contains(t, strings.Join(a.Told, "\n"), c.tells)
			changesNothing(t, &b.Survey, a)
			for _, told := range a.Told {
				assert.Contains(t, strings.Join(strings.Fields(strings.ReplaceAll(file(a, "host.hcl"), "\n#", " ")), " "), strings.Join(strings.Fields(plain.Shown(told)), " "))
			}
		})
	}
}

// A guest whose definition has lendkeep's note needs no other, running or not, and
// its controller keeps its name.
func TestAdoptsWhatALayoutHadBefore(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "start")
	b.Guest("grading", "/srv/images/grading.qcow2", b.Identity("reel", at))
	a := adopted(t, &b.Survey)
	require.NotNil(t, a.Layout.Controller("reel"))
	assert.Equal(t, []string{"install the guard of every start"}, changesNothing(t, &b.Survey, a))
	b.Run("grading")
	b.Function(at).NVMe, b.Function(at).Driver = nil, "vfio-pci"
	b.Survey.Blocks = b.Survey.Blocks[:1]
	a = adopted(t, &b.Survey)
	require.NotNil(t, a.Layout.Controller("reel"))
	assert.Equal(t, "RL-4410-0073", a.Layout.Controller("reel").NVMe.Serial)
	assert.Equal(t, []string{"install the guard of every start"}, changesNothing(t, &b.Survey, a))
	assert.Contains(t, strings.Join(a.Told, "\n"), "is not seen while guest grading has it")
}

// changesNothing holds that a layout is its host: it has no stop that the host does
// not deserve by itself, and an order of it installs the guard and the watch and
// writes lendkeep's own notes, but nothing else. A stop is the host's own where the
// empty layout has it too, or where the controller that it speaks of could not be
// lent by any layout. It gives what the order does.
func changesNothing(t require.TestingT, survey *facts.Survey, a adopt.Adopted) []string {
	ix := facts.NewIndex(survey)
	empty := &spec.Layout{Host: a.Layout.Host}
	own := map[string]bool{}
	for _, f := range assess.Assess(assess.NewCase(empty, ix, nil)) {
		own[f.Check+f.Summary] = true
	}
	c := assess.NewCase(a.Layout, ix, nil)
	findings := assess.Assess(c)
	stopped := false
	for _, f := range findings {
		if f.Severity != assess.Stop {
			continue
		}
		stopped = true
		deserved := own[f.Check+f.Summary]
		for _, controller := range a.Layout.Controllers {
			found := c.Found(controller.Name).Function
			if found != nil && (f.At == controller.At || f.At == a.Layout.Host.At) {
				v := assess.VerdictOn(ix, found)
				alone := controller.PCI == nil || len(controller.PCI.Functions) == 0
				deserved = deserved || !v.MayBeLent() || alone && len(v.With) > 0
			}
		}
		require.True(t, deserved, "%+v\n%s", f, text(a))
	}
	if stopped {
		return nil
	}
	o, err := order.Plan(c, findings)
	require.NoError(t, err, text(a))
	var does []string
	for _, w := range o.Steps {
		switch s := w.Step.(type) {
		case *step.InstallGuard, *step.InstallWatch:
			does = append(does, s.About().Does)
		case *step.DefineGuest:
			after, _, err := s.After()
			require.NoError(t, err)
			require.Equal(t, unnoted(s.Before), unnoted(after), "only lendkeep's own note")
		default:
			require.Fail(t, "an order changes the host", "%s\n%s", s.About().Does, text(a))
		}
	}
	return does
}

// findsTheSame holds that each controller of a layout is found, and that what its guests
// borrow is what their definitions lend them of those.
func findsTheSame(t require.TestingT, ix *facts.Index, a adopt.Adopted) {
	c := assess.NewCase(a.Layout, ix, nil)
	stated := map[facts.Address]bool{}
	for _, controller := range a.Layout.Controllers {
		require.NotNil(t, c.Found(controller.Name).Function, "%s: %s\n%s", controller.Name, c.Found(controller.Name).Why, text(a))
		for _, f := range c.Found(controller.Name).Functions {
			stated[f.Address] = true
		}
	}
	for _, g := range a.Layout.Guests {
		var borrows, has []facts.Address
		for _, ref := range g.Borrows {
			for _, f := range c.Found(ref.Name).Functions {
				borrows = append(borrows, f.Address)
			}
		}
		for _, l := range ix.Guest(g.Name).Kept.Hostdevs {
			if stated[l.Address] {
				has = append(has, l.Address)
			}
		}
		require.ElementsMatch(t, has, borrows, "guest %s\n%s", g.Name, text(a))
	}
}

// unnoted is a definition without its metadata.
func unnoted(xml string) string {
	before, rest, found := strings.Cut(xml, "<metadata>")
	_, after, _ := strings.Cut(rest, "</metadata>")
	if !found {
		after = ""
	}
	return strings.Join(strings.Fields(before+after), " ")
}

func text(a adopt.Adopted) string {
	var all strings.Builder
	for _, f := range a.Files {
		all.WriteString("-- " + f.Name + " --\n" + string(f.Bytes))
	}
	return all.String()
}

// uncommented is a layout with the two signs of its nth comment taken away; false
// where it has fewer.
func uncommented(a adopt.Adopted, nth int) ([]spec.File, bool) {
	files := slices.Clone(a.Files)
	for i, f := range files {
		pieces := strings.Split(string(f.Bytes), "/*\n")
		if len(pieces) <= nth+1 {
			continue
		}
		pieces[nth+1] = strings.Replace(pieces[nth+1], "*/\n", "", 1)
		files[i].Bytes = []byte(strings.Join(pieces[:nth+1], "/*\n") + strings.Join(pieces[nth+1:], "/*\n"))
		return files, true
	}
	return files, false
}

// A large host takes no time that grows out of hand.
func TestAdoptsALargeHost(t *testing.T) {
	survey, _ := invented.Large(1)
	a := adopted(t, &survey)
	assert.NotEmpty(t, a.Layout.Guests)
	changesNothing(t, &survey, a)
}

// Whatever a host is: its layout loads, changes nothing, and has only the host's own
// stops. A controller that may be lent by its comment is still fine once that is
// taken away.
func TestAdoptsRandomHosts(t *testing.T) {
	planned, offered := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		survey, _ := invented.Any(t)
		ix := facts.NewIndex(&survey)
		a := adopted(t, &survey)
		layout, ds := spec.LoadSources("", a.Files, spec.Given{})
		require.False(t, ds.HasErrors(), "%v\n%s", ds, text(a))
		require.Equal(t, a.Layout.Hash, layout.Hash)
		findsTheSame(t, ix, a)
		if changesNothing(t, &survey, a) != nil {
			planned++
		}
		if len(a.Lent) == 0 {
			return
		}
		now := assess.Assess(assess.NewCase(a.Layout, ix, nil))
		for n := 0; ; n++ {
			files, more := uncommented(a, n)
			if !more {
				break
			}
			layout, ds := spec.LoadSources("", files, spec.Given{})
			require.False(t, ds.HasErrors(), "%v\n%s", ds, text(a))
			for _, f := range assess.Assess(assess.NewCase(layout, ix, nil)) {
				for _, name := range a.Lent {
					if c := layout.Controller(name); c != nil && f.At == c.At && !assess.Stops(now) {
						require.NotEqual(t, assess.Stop, f.Severity, "%+v\n%s", f, text(a))
						offered++
					}
				}
			}
		}
	})
	require.Positive(t, planned)
	require.Positive(t, offered)
}
