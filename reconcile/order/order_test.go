package order_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"runtime/debug"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// larch is a host with one controller whose shelf is mounted and holds the
// disk of catalogue, and a layout that lends it to grading by day.
func larch() (*invented.Builder, *spec.Layout) {
	b := invented.NewBuilder()
	b.NVMe("RL-4410-0073", "start", "shelf")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Guest("grading", "/srv/images/grading.qcow2")
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	return b, invented.Layout(
		[]spec.Controller{invented.Controller("reel", "RL-4410-0073", "shelf", "/srv/shelf")},
		[]spec.Guest{invented.Guest("grading", "reel"), invented.Guest("catalogue")},
		invented.Shift("day", "grading"), invented.Shift("night", "catalogue"))
}

func plan(t testing.TB, b *invented.Builder, layout *spec.Layout, shift string) order.Order {
	c := assess.NewCase(layout, facts.NewIndex(&b.Survey), layout.Shift(shift))
	o, err := order.Plan(c, assess.Assess(c))
	require.NoError(t, err)
	return o
}

func does(o order.Order) []string {
	var list []string
	for _, w := range o.Steps {
		list = append(list, w.Step.About().Does)
	}
	return list
}

// installs is how every order of larch begins, as it has no guard yet.
const installs = "install the guard of every start"

func TestPlans(t *testing.T) {
	card := spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}}
	for name, c := range map[string]struct {
		change func(*invented.Builder, *spec.Layout)
		shift  string
		want   []string
	}{
		"without a shift guests stay as they are": {nil, "",
			[]string{"change the definition of guest grading"}},
		"a filesystem that is not mounted": {func(b *invented.Builder, l *spec.Layout) { b.Survey.Mounts = b.Survey.Mounts[:1] }, "",
			[]string{"change the definition of guest grading", "mount shelf of reel at /srv/shelf"}},
		"day: nobody is in the way": {nil, "day", []string{
			"change the definition of guest grading", "unmount shelf of reel at /srv/shelf",
			"start guest grading, which borrows reel"}},
		"day: a guest lives on the shelf": {func(b *invented.Builder, l *spec.Layout) { b.Run("catalogue") }, "day", []string{
			"change the definition of guest grading", "shut down guest catalogue", "unmount shelf of reel at /srv/shelf",
			"start guest grading, which borrows reel"}},
		"night: the mount comes before the guest that lives on it": {func(b *invented.Builder, l *spec.Layout) { b.Survey.Mounts = b.Survey.Mounts[:1] }, "night",
			[]string{"change the definition of guest grading", "mount shelf of reel at /srv/shelf", "start guest catalogue"}},
		"guests that share an image, one after the other": {func(b *invented.Builder, l *spec.Layout) {
			b.Guest("second", "/srv/images/grading.qcow2")
			b.Run("second")
			l.Guests = append(l.Guests, invented.Guest("second"))
			l.Shifts[1].Guests = append(l.Shifts[1].Guests, spec.Ref{Name: "second"})
		}, "day", []string{"change the definition of guest grading", "shut down guest second", "unmount shelf of reel at /srv/shelf", "start guest grading, which borrows reel"}},
		"a running guest is changed": {func(b *invented.Builder, l *spec.Layout) {
			b.Run("catalogue")
			l.Guests[1].Memory = &spec.Memory{SizeBytes: 2 << 30}
		}, "", []string{"change the definition of guest grading", "shut down guest catalogue", "change the definition of guest catalogue", "start guest catalogue"}},
		"retired while it runs": {func(b *invented.Builder, l *spec.Layout) {
			b.Run("catalogue")
			l.Guests[1].Retired = true
		}, "", []string{"change the definition of guest grading", "shut down guest catalogue", "remove the definition of guest catalogue; images stay"}},
		"new": {func(b *invented.Builder, l *spec.Layout) {
			l.Guests = append(l.Guests, invented.Guest("scans"))
			l.Guests[2].Memory = &spec.Memory{SizeBytes: 1 << 30}
		}, "", []string{"change the definition of guest grading", "create guest scans"}},
		"left on VFIO": {func(b *invented.Builder, l *spec.Layout) {
			r := b.Identity("reel", facts.Address{Bus: 1})
			b.Guest("other", "", r)
			b.Function(r.Address).Driver, b.Function(r.Address).NVMe = "vfio-pci", nil
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Survey.Blocks = b.Survey.Blocks[:1]
		}, "", []string{"change the definition of guest grading", "take back reel from VFIO to the host's driver", "mount shelf of reel at /srv/shelf"}},
		"a companion is put aside first": {func(b *invented.Builder, l *spec.Layout) {
			b.Card(facts.Address{Bus: 1}, "e1000e")
			l.Controllers = append(l.Controllers, card)
		}, "day", []string{
			"change the definition of guest grading", "unmount shelf of reel at /srv/shelf",
			"put card on VFIO, so that reel of the same IOMMU group can be lent",
			"start guest grading, which borrows reel"}},
		"a companion comes back from a guest and is put aside": {func(b *invented.Builder, l *spec.Layout) {
			at := b.Card(facts.Address{Bus: 1}, "vfio-pci")
			b.Guest("scans", "", b.Identity("card", at))
			b.Run("scans")
			l.Controllers = append(l.Controllers, card)
			l.Guests = append(l.Guests, invented.Guest("scans"))
		}, "day", []string{
			"change the definition of guest grading", "shut down guest scans", "change the definition of guest scans", "unmount shelf of reel at /srv/shelf",
			"take back card from guest scans", "start guest scans", "put card on VFIO, so that reel of the same IOMMU group can be lent",
			"start guest grading, which borrows reel"}},
		"all functions of a slot": {func(b *invented.Builder, l *spec.Layout) { screen(b, l) }, "day", []string{
			"change the definition of guest grading", "unmount shelf of reel at /srv/shelf",
			"start guest grading, which borrows reel and screen"}},
		"a slot of which one function was left on VFIO": {func(b *invented.Builder, l *spec.Layout) {
			at := screen(b, l)
			at.Function = 1
			b.Function(at).Driver = "vfio-pci"
		}, "day", []string{"change the definition of guest grading", "unmount shelf of reel at /srv/shelf",
			"take back screen from VFIO to the host's driver", "start guest grading, which borrows reel and screen"}},
		"a slot that comes back": {func(b *invented.Builder, l *spec.Layout) {
			at := screen(b, l)
			l.Guests[0].Borrows, l.Guests[0].Boots = l.Guests[0].Borrows[1:], nil
			l.Controllers = l.Controllers[1:]
			b.Guest("films", "", b.Whole("screen", at))
			l.Guests[0].Name, l.Shifts[0].Guests[0].Name = "films", "films"
			b.Function(at).Driver = "vfio-pci"
			b.Function(facts.Address{Bus: at.Bus, Function: 1}).Driver = "vfio-pci"
			b.Run("films")
		}, "night", []string{"shut down guest films", "start guest catalogue", "take back screen from guest films"}},
		"a slot is put aside as a whole": {func(b *invented.Builder, l *spec.Layout) {
			b.Function(screen(b, l)).Group = b.Function(facts.Address{Bus: 1}).Group
			l.Guests[0].Borrows = l.Guests[0].Borrows[:1]
		}, "day", []string{"change the definition of guest grading", "unmount shelf of reel at /srv/shelf",
			"put screen on VFIO, so that reel of the same IOMMU group can be lent", "start guest grading, which borrows reel"}},
	} {
		t.Run(name, func(t *testing.T) {
			b, layout := larch()
			if c.change != nil {
				c.change(b, layout)
			}
			assert.Equal(t, append([]string{installs}, c.want...), does(plan(t, b, layout, c.shift)))
		})
	}
}

// screen has grading borrow a graphics card with its sound as one controller.
func screen(b *invented.Builder, l *spec.Layout) facts.Address {
	l.Controllers = append(l.Controllers, invented.ScreenController("screen"))
	l.Guests[0].Borrows = append(slices.Clone(l.Guests[0].Borrows), spec.Ref{Name: "screen"})
	l.Guests[0].Boots = &l.Guests[0].Borrows[0]
	return b.Screen()
}

// An order speaks of each function of what it has to do with, wherever that is now.
func TestFunctionsOfAnOrder(t *testing.T) {
	b, layout := larch()
	at := screen(b, layout)
	other := b.NVMe("RL-4410-0088")
	o := plan(t, b, layout, "day")
	sound := at
	sound.Function = 1
	reel := facts.Address{Bus: 1}
	assert.Equal(t, map[facts.Address]bool{reel: true, at: true, sound: true}, o.Functions(facts.NewIndex(&b.Survey)))
	b.Function(other).Address.Bus, b.Function(reel).Address.Bus = 1, 9
	reel.Bus = 9
	assert.Equal(t, map[facts.Address]bool{reel: true, at: true, sound: true}, o.Functions(facts.NewIndex(&b.Survey)))
}

// What an order relies on of a whole slot is all that it has of each function.
func TestFactsOfEachFunctionAreReliedOn(t *testing.T) {
	for name, c := range map[string]struct {
		change func(sound *facts.Function)
		want   string
	}{
		"driver":    {func(f *facts.Function) { f.Driver = "" }, "function 1 driver of controller screen was snd_hda_intel, is none"},
		"a use":     {func(f *facts.Function) { f.Interfaces = []facts.Interface{{Name: "eth9", Up: true}} }, "function 1 use by the host of controller screen was none"},
		"its group": {func(f *facts.Function) { f.Group = nil }, "function 1 IOMMU group of controller screen was"},
		"its maker": {func(f *facts.Function) { f.SubsystemDevice++ }, "place of controller screen was home, is gone"},
	} {
		t.Run(name, func(t *testing.T) {
			b, layout := larch()
			at := screen(b, layout)
			o := plan(t, b, layout, "day")
			at.Function = 1
			c.change(b.Function(at))
			changes, err := o.Changes(facts.NewIndex(&b.Survey))
			require.NoError(t, err)
			var told []string
			for _, change := range changes {
				told = append(told, change.String())
			}
			assert.Contains(t, strings.Join(told, "\n"), c.want)
		})
	}
}

func TestSameLayoutAndFactsGiveTheSameBytes(t *testing.T) {
	var files [2][]byte
	for i := range files {
		b, layout := larch()
		sealed, err := order.Seal(plan(t, b, layout, "day"))
		require.NoError(t, err)
		files[i] = sealed.File()
	}
	assert.Equal(t, string(files[0]), string(files[1]))
}

func TestOrderFileRoundTrip(t *testing.T) {
	b, layout := larch()
	sealed, err := order.Seal(plan(t, b, layout, "day"))
	require.NoError(t, err)
	again, err := order.Open(sealed.File())
	require.NoError(t, err)
	assert.Equal(t, sealed.ID(), again.ID())
	assert.Equal(t, sealed.Order, again.Order)
}

func TestTamperedOrdersAreRefused(t *testing.T) {
	b, layout := larch()
	sealed, err := order.Seal(plan(t, b, layout, "day"))
	require.NoError(t, err)
	file := sealed.File()
	for name, bad := range map[string][]byte{
		"a changed address": bytes.Replace(file, []byte("0000:01:00.0"), []byte("0000:02:00.0"), 1),
		"a dropped byte":    slices.Delete(slices.Clone(file), len(file)/2, len(file)/2+1),
		"half":              file[:len(file)/2],
		"empty":             nil,
		"another field":     bytes.Replace(file, []byte(`"sha256"`), []byte(`"x": 1, "sha256"`), 1),
	} {
		t.Run(name, func(t *testing.T) {
			require.NotEqual(t, file, bad)
			_, err := order.Open(bad)
			require.ErrorIs(t, err, order.ErrDamaged)
		})
	}
}

func TestApprovalIsOfOneOrderOnly(t *testing.T) {
	b, layout := larch()
	day, err := order.Seal(plan(t, b, layout, "day"))
	require.NoError(t, err)
	night, err := order.Seal(plan(t, b, layout, "night"))
	require.NoError(t, err)
	require.NotEqual(t, day.Code(), night.Code())
	_, err = order.Approve(day, night.Code())
	require.ErrorIs(t, err, order.ErrOtherCode)
	_, err = order.Approve(day, "")
	require.ErrorIs(t, err, order.ErrOtherCode)
	approval, err := order.Approve(day, strings.ToLower(strings.ReplaceAll(day.Code(), "-", "")))
	require.NoError(t, err)
	assert.Equal(t, day.ID(), approval.Sealed().ID())
}

// What an order relies on is told by name when it changes; what it does not
// rely on may change.
func TestChangedFactsAreNamed(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*invented.Builder)
		want   string
	}{
		"driver":       {func(b *invented.Builder) { b.Function(facts.Address{Bus: 1}).Driver = "vfio-pci" }, "driver of controller reel was nvme, is vfio-pci"},
		"a new use":    {func(b *invented.Builder) { b.Mount("nvme0n1p1", "/mnt") }, "use by the host of controller reel was"},
		"a guest runs": {func(b *invented.Builder) { b.Run("catalogue") }, "condition of guest catalogue was shut off, is running"},
		"a definition": {func(b *invented.Builder) {
			kept := *b.Survey.Libvirt.Guests[0].Kept
			kept.XML = strings.Replace(kept.XML, "<domain ", "<domain id='9' ", 1)
			b.Survey.Libvirt.Guests[0].Kept = &kept
		}, "definition of guest grading was sha256"},
		"unmounted":             {func(b *invented.Builder) { b.Survey.Mounts = b.Survey.Mounts[:1] }, "device of mount /srv/shelf was"},
		"a card in its group":   {func(b *invented.Builder) { b.Card(facts.Address{Bus: 1}, "") }, "IOMMU group of controller reel was"},
		"a partition more":      {func(b *invented.Builder) { b.Block("nvme0n1p1").Partition.ID = "x" }, "partitions of controller reel was"},
		"the kernel was asked":  {func(b *invented.Builder) { b.Survey = b.Survey.Answered() }, ""},
		"another drive":         {func(b *invented.Builder) { b.NVMe("RL-4410-0088") }, ""},
		"host name":             {func(b *invented.Builder) { b.Survey.Machine.Name = "alder" }, "machine name of host was larch, is alder"},
		"kernel":                {func(b *invented.Builder) { b.Survey.Machine.Kernel = "6.9.0" }, "machine kernel of host was 6.1.0-56-amd64, is 6.9.0"},
		"command line":          {func(b *invented.Builder) { b.Survey.Machine.CommandLine = "" }, "machine command line of host was intel_iommu=on, is none"},
		"memory":                {func(b *invented.Builder) { b.Survey.Machine.MemoryBytes++ }, "machine memory bytes of host was 17179869184, is 17179869185"},
		"processors":            {func(b *invented.Builder) { b.Survey.Machine.CPUs = 4 }, "machine cpus of host was 8, is 4"},
		"no IOMMU any more":     {func(b *invented.Builder) { b.Survey.Machine.IOMMUs = 0 }, "machine iommus of host was 1, is none"},
		"no group any more":     {func(b *invented.Builder) { b.Function(facts.Address{Bus: 1}).Group = nil }, "IOMMU group of controller reel was"},
		"huge pages":            {func(b *invented.Builder) { b.Survey.Machine.HugePages = []facts.Pages{{SizeBytes: 2 << 20, Total: 9}} }, "machine huge pages of host was none, is size bytes 2097152, total 9"},
		"type of new guests":    {func(b *invented.Builder) { b.Survey.Libvirt.GuestType = "qemu" }, "libvirt guest type of host was kvm, is qemu"},
		"emulator":              {func(b *invented.Builder) { b.Survey.Libvirt.Emulator = "/x" }, "libvirt emulator of host was /usr/bin/qemu-system-x86_64, is /x"},
		"a firmware descriptor": {func(b *invented.Builder) { b.Survey.Descriptors = []facts.Descriptor{{File: "/x", Image: "/i"}} }, "firmware descriptors of host was none, is file /x, image /i"},
		"a VFIO binding":        {func(b *invented.Builder) { b.Survey.Claims = []facts.Claim{{Vendor: 0x1b36, Device: 0x10}} }, "vfio claims of host was none, is vendor 1b36, device 0010"},
		"a gap":                 {func(b *invented.Builder) { b.Survey.Gaps = []facts.Gap{{Fact: "mounts", Path: "/proc/77/mountinfo"}} }, "gaps of host was none, is fact mounts"},
		"reset methods":         {func(b *invented.Builder) { b.Function(facts.Address{Bus: 1}).ResetMethods = []string{"bus"} }, "reset methods of controller reel was flr; bus, is bus"},
		"near processors":       {func(b *invented.Builder) { b.Function(facts.Address{Bus: 1}).LocalCPUs = "0-3" }, "local cpus of controller reel was none, is 0-3"},
		"its link":              {func(b *invented.Builder) { b.Function(facts.Address{Bus: 1}).Link = &facts.Link{Width: 1} }, ""},
		"it sleeps":             {func(b *invented.Builder) { b.Function(facts.Address{Bus: 1}).PowerState = "D3hot" }, ""},
		"a driver in its group": {func(b *invented.Builder) { b.Card(facts.Address{Bus: 1}, "e1000e") }, "neighbour 0000:01:01.0 of controller reel was none"},
		"a filesystem appeared": {func(b *invented.Builder) { b.Block("nvme0n1").Signature = &facts.Signature{Kind: "ext4"} }, "drive 1 of controller reel was size bytes 2147483648, sector bytes 512, is size bytes 2147483648, sector bytes 512, signature kind ext4"},
		"another filesystem":    {func(b *invented.Builder) { b.Block("nvme0n1p1").Signature = &facts.Signature{Kind: "ntfs"} }, "partition 1 of drive 1 of controller reel was"},
		"somebody holds it":     {func(b *invented.Builder) { b.Block("nvme0n1").Exclusive = facts.HeldBySomeone }, "somebody: the kernel says that it is in use"},
		"somebody opened it":    {func(b *invented.Builder) { b.Block("nvme0n1").Openers = []facts.Opener{{Process: "dd (pid 77)"}} }, ""},
		"another guest's disk is on it": {func(b *invented.Builder) { b.Guest("scans", "/srv/shelf/scans.qcow2") },
			"use by what is off of controller reel was"},
		"a pool is on it": {func(b *invented.Builder) {
			b.Survey.Libvirt.Pools = []facts.Pool{{Name: "shelf", Kind: "dir", Target: "/srv/shelf"}}
		},
			"use by what is off of controller reel was"},
		"another guest names it": {func(b *invented.Builder) { b.Guest("scans", "", b.Identity("reel", facts.Address{Bus: 1})) }, "guests that name it of controller reel was none, is scans"},
		"a second of its serial": {func(b *invented.Builder) { b.NVMe("RL-4410-0073") },
			"controllers of its description of controller reel was QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0, is QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0, QEMU NVMe Ctrl RL-4410-0073 at 0000:02:00.0"},
		"a mount below it":                    {func(b *invented.Builder) { b.Mount("vda", "/srv/shelf/below") }, "mounts below of mount /srv/shelf was none, is /srv/shelf/below"},
		"its image is of another format":      {func(b *invented.Builder) { b.Survey.Paths[0].Format = "raw" }, "path /srv/images/grading.qcow2 of guest grading was"},
		"its image is based on another":       {func(b *invented.Builder) { b.Survey.Paths[0].Backing = "/srv/base.qcow2" }, "backing /srv/base.qcow2"},
		"its image is gone":                   {func(b *invented.Builder) { b.Survey.Paths[0].Missing = true }, "missing true"},
		"the guard is gone":                   {func(b *invented.Builder) { b.Survey.Guard.Program = false }, "program of guard was true, is false"},
		"another guest that nobody speaks of": {func(b *invented.Builder) { b.Guest("scans", "/srv/images/scans.qcow2") }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b, layout := larch()
			o := plan(t, b, layout, "day")
			c.change(b)
			var told []string
			changes, err := o.Changes(facts.NewIndex(&b.Survey))
			require.NoError(t, err)
			for _, change := range changes {
				told = append(told, change.String())
			}
			if c.want == "" {
				assert.Empty(t, told)
				return
			}
			assert.Contains(t, strings.Join(told, "\n"), c.want)
		})
	}
}

// A mounted filesystem writes its log now and then, and is clean or dirty by that.
func TestFlushesOfMountedFilesystemsPass(t *testing.T) {
	for name, c := range map[string]struct {
		volume int
		want   string
	}{"mounted": {1, ""}, "not mounted": {0, "condition dirty"}} {
		t.Run(name, func(t *testing.T) {
			b, layout := larch()
			layout.Guests[0].Boots = nil
			for i := range b.Look("nvme0n1").Volumes {
				b.Survey.Contents[0].Volumes[i].Condition = facts.Clean
			}
			o := plan(t, b, layout, "day")
			b.Survey.Contents[0].Volumes[c.volume].Condition = facts.Dirty
			changes, err := o.Changes(facts.NewIndex(&b.Survey))
			require.NoError(t, err)
			if c.want == "" {
				assert.Empty(t, changes)
				return
			}
			require.Len(t, changes, 1)
			assert.Contains(t, changes[0].String(), c.want)
		})
	}
}

func TestDowntimes(t *testing.T) {
	b, layout := larch()
	b.Run("catalogue")
	layout.Guests[1].Memory = &spec.Memory{SizeBytes: 2 << 30}
	list := plan(t, b, layout, "").Downtimes()
	require.Len(t, list, 1)
	assert.False(t, list[0].Stays)
	assert.Equal(t, "Guest catalogue is down for about 41s.", list[0].String())
	list = plan(t, b, layout, "day").Downtimes()
	require.Len(t, list, 1)
	assert.True(t, list[0].Stays)
}

func TestStopFindingsKeepAnOrderFromBeingWritten(t *testing.T) {
	b, layout := larch()
	b.Mount("nvme0n1p1", "/mnt")
	c := assess.NewCase(layout, facts.NewIndex(&b.Survey), nil)
	_, err := order.Plan(c, assess.Assess(c))
	require.ErrorContains(t, err, "findings stop it")
}

// Every kind of step has an undo, or says in its words that there is none.
func TestStepsOfOrdersTellEverything(t *testing.T) {
	b, layout := larch()
	b.Run("catalogue")
	for _, w := range plan(t, b, layout, "day").Steps {
		assert.NotEmpty(t, w.Step.About().Does)
		assert.NotEmpty(t, w.Step.About().Undoes)
		assert.NotEmpty(t, w.Step.About().Gives)
		assert.Positive(t, w.Step.About().Takes)
		assert.Contains(t, []step.Risk{step.Safe, step.Starts, step.Stops, step.Erases}, w.Step.About().Risk)
		assert.NotEmpty(t, w.Why.File)
	}
}

// resealed gives an order file with other bytes under their right checksum, as
// somebody makes it who knows the format.
func resealed(t testing.TB, sealed order.Sealed, old, new string) []byte {
	_, body, found := strings.Cut(string(sealed.File()), "\n\"order\": ")
	require.True(t, found)
	body = strings.TrimSuffix(body, "\n}\n")
	require.Contains(t, body, old)
	body = strings.Replace(body, old, new, 1)
	sum := sha256.Sum256([]byte(body))
	return fmt.Appendf(nil, "{\n\"sha256\": %q,\n\"order\": %s\n}\n", hex.EncodeToString(sum[:]), body)
}

// An order has one encoding. White space, keys that are there twice or spelled
// otherwise, escapes and whatever follows would be bytes that nobody is shown,
// with which two orders of one code are found in seconds.
func TestOrdersHaveOneEncoding(t *testing.T) {
	b, layout := larch()
	sealed, err := order.Seal(plan(t, b, layout, "day"))
	require.NoError(t, err)
	again, err := order.Open(sealed.File())
	require.NoError(t, err)
	require.Equal(t, sealed.ID(), again.ID())
	for name, content := range map[string][]byte{
		"white space":        resealed(t, sealed, "\"host\": \"larch\"", "\"host\":  \"larch\""),
		"a key twice":        resealed(t, sealed, "\"host\": \"larch\"", "\"host\": \"x\",\n \"host\": \"larch\""),
		"a key in capitals":  resealed(t, sealed, "\"host\": \"larch\"", "\"Host\": \"larch\""),
		"an escape":          resealed(t, sealed, "\"host\": \"larch\"", "\"host\": \"l\\u0061rch\""),
		"another time zone":  resealed(t, sealed, "Z\",", "+00:00\","),
		"an unknown key":     resealed(t, sealed, "\"host\": \"larch\"", "\"note\": 1,\n \"host\": \"larch\""),
		"a hook of its own":  resealed(t, sealed, "\"after\": {\n     \"format\"", "\"after\": {\n     \"hook\": \"#!/bin/sh\",\n     \"format\""),
		"something after it": append(sealed.File(), ' '),
		"a second one":       append(sealed.File(), sealed.File()...),
		"white space inside": bytes.Replace(sealed.File(), []byte("{\n"), []byte("{ \n"), 1),
		"its end missing":    bytes.TrimSpace(sealed.File()),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := order.Open(content)
			require.Error(t, err)
		})
	}
}

// What people are shown is derived: no order can hold one thing and say another.
func TestOrdersCarryNoCode(t *testing.T) {
	b, layout := larch()
	sealed, err := order.Seal(plan(t, b, layout, "day"))
	require.NoError(t, err)
	for _, part := range []string{"#!/bin/sh", "[Service]", "SUBSYSTEM", "\"changes\""} {
		assert.NotContains(t, string(sealed.File()), part)
	}
}

func TestCodes(t *testing.T) {
	b, layout := larch()
	sealed, err := order.Seal(plan(t, b, layout, "day"))
	require.NoError(t, err)
	code := sealed.Code()
	assert.Regexp(t, "^[A-Z2-7]{4}-[A-Z2-7]{4}-[A-Z2-7]{4}-[A-Z2-7]{4}$", code)
	for _, typed := range []string{code, strings.ToLower(code), strings.ReplaceAll(code, "-", ""), strings.ReplaceAll(code, "-", " "),
		" " + code + "\r\n", strings.ReplaceAll(code, "-", "\u2011"), strings.ReplaceAll(code, "-", "\u2013"), "\u200b" + code} {
		_, err := order.Approve(sealed, typed)
		assert.NoError(t, err, "%q", typed)
	}
	for _, typed := range []string{"", code[:9], code + "A", code[5:], strings.Repeat("A", 16)} {
		_, err := order.Approve(sealed, typed)
		assert.ErrorIs(t, err, order.ErrOtherCode, "%q", typed)
	}
}

func FuzzOpen(f *testing.F) {
	b, layout := larch()
	sealed, err := order.Seal(plan(f, b, layout, "day"))
	require.NoError(f, err)
	f.Add(sealed.File())
	every := sealed.Order
	every.Steps = nil
	for _, s := range invented.Steps() {
		every.Steps = append(every.Steps, step.Written{Step: s})
	}
	sealed, err = order.Seal(every)
	require.NoError(f, err)
	_, err = order.Open(sealed.File())
	require.NoError(f, err)
	f.Add(sealed.File())
	f.Fuzz(func(t *testing.T, content []byte) {
		sealed, err := order.Open(content)
		if err != nil {
			return
		}
		require.Equal(t, content, sealed.File())
		ix := facts.NewIndex(&facts.Survey{})
		sealed.Order.Changes(ix)
		for _, w := range sealed.Order.Steps {
			w.Step.About()
			w.Step.Stands(ix)
			_, _ = w.Step.Ready(ix), w.Step.MayUndo(ix)
		}
	})
}

func checkAndPlan(b *testing.B, survey *facts.Survey, layout *spec.Layout) {
	c := assess.NewCase(layout, facts.NewIndex(survey), nil)
	if _, err := order.Plan(c, assess.Assess(c)); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkCheckAndPlan is of a host of 250 controllers, 50 groups, 200 guests
// and 1,000 mounts.
func BenchmarkCheckAndPlan(b *testing.B) {
	defer debug.SetGCPercent(debug.SetGCPercent(400)) // as commands have it (cmd/lendkeep/main.go)
	survey, layout := invented.Large(1)
	b.ReportAllocs()
	for b.Loop() {
		checkAndPlan(b, &survey, layout)
	}
}

// BenchmarkTenTimes measures how much more ten times the host costs, in the
// same run; it may be at most twelve times as much.
func BenchmarkTenTimes(b *testing.B) {
	defer debug.SetGCPercent(debug.SetGCPercent(400)) // as commands have it (cmd/lendkeep/main.go)
	small, smallLayout := invented.Large(1)
	large, largeLayout := invented.Large(10)
	var one, ten time.Duration
	for b.Loop() {
		start := time.Now()
		for range 10 {
			checkAndPlan(b, &small, smallLayout)
		}
		middle := time.Now()
		checkAndPlan(b, &large, largeLayout)
		one, ten = one+middle.Sub(start)/10, ten+time.Since(middle)
	}
	b.ReportMetric(float64(ten)/float64(one), "times-as-much")
}

// moving is larch with a blank drive, onto which the system of grading is yet
// to move; the rest becomes the shelf.
func moving() (*invented.Builder, *spec.Layout) {
	b, l := larch()
	b.Survey.Mounts = b.Survey.Mounts[:1]
	b.Survey.Blocks = b.Survey.Blocks[:2]
	b.Look("nvme0n1")
	b.System("/srv/images/grading.qcow2")
	l.Controllers[0].Drive.CopyOf, l.Controllers[0].Drive.CopyFormat = "/srv/images/grading.qcow2", "qcow2"
	return b, l
}

func TestMoving(t *testing.T) {
	b, l := moving()
	l.Guests[0].System = "linux"
	b.Run("grading")
	o := plan(t, b, l, "day")
	assert.Equal(t, []string{
		"by hand, in guest grading: see that the initramfs holds the nvme driver",
		"by hand, in guest grading: see that nothing names the old disk",
		"by hand, in guest grading: see that its loader leads to a kernel",
		installs,
		"shut down guest grading",
		"change the definition of guest grading",
		"copy /srv/images/grading.qcow2 to the drive of reel (RL-4410-0073) and read it back",
		"write the partition table of the drive of reel (RL-4410-0073): its backup goes to the end of the drive; partition 3 shelf is added, 1.0 GiB",
		"make a filesystem (xfs) on partition shelf of the drive of reel (RL-4410-0073)",
		"start guest grading, which borrows reel",
	}, does(o))
	assert.Empty(t, o.Erases())
	assert.Equal(t, []string{"RL-4410-0073"}, o.UndoErases())

	table := o.Steps[7].Step.(*step.WriteTable).After
	assert.Equal(t, uint64(2<<30/512-1), table.BackupAt)
	assert.Equal(t, uint64(2<<30/512-34), table.LastUsable)
	shelf := table.Entry("shelf")
	assert.Equal(t, uint64(2095104), shelf.First, "aligned to 1 MiB, right behind the system")
	assert.Equal(t, uint64(2<<30/512-2048-1), shelf.Last)

	night := plan(t, b, l, "night")
	assert.Contains(t, does(night), "mount shelf of reel at /srv/shelf")
}

// What is on the drive goes only by its serial, in the layout and again when
// the order is approved.
func TestErasing(t *testing.T) {
	b, l := moving()
	c := &b.Survey.Contents[0]
	c.Blank, c.Signature = false, &facts.Signature{Kind: "ext4", Usage: "filesystem", Label: "old"}
	l.Controllers[0].Drive.Erase = "RL-4410-0073"
	o := plan(t, b, l, "")
	assert.Contains(t, does(o), `erase the drive of reel (RL-4410-0073), which holds ext4 "old"`)
	assert.Equal(t, []string{"RL-4410-0073"}, o.Erases())
	for _, w := range o.Steps {
		if s, ok := w.Step.(*step.CopySystem); ok {
			assert.Equal(t, "RL-4410-0073", s.About().Erases, "it may write on what is bare, not blank, only with the serial")
		}
	}
	sealed, err := order.Seal(o)
	require.NoError(t, err)
	_, err = order.Approve(sealed, sealed.Code())
	require.ErrorIs(t, err, order.ErrNotErased)
	_, err = order.Approve(sealed, sealed.Code(), "RL-4410-0088")
	require.ErrorIs(t, err, order.ErrNotErased)
	_, err = order.Approve(sealed, sealed.Code(), "RL-4410-0073")
	require.NoError(t, err)
	again, err := order.Open(sealed.File())
	require.NoError(t, err)
	assert.Equal(t, o, again.Order)
}
