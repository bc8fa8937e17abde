package again_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/again"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/reconcile/twin"
	"lendkeep/spec"
)

// What a layout states that the twin lacks is stated otherwise there, and said; the
// given one stays as it is.
func TestLayout(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-1", "shelf")
	card := b.Card(at, "e1000e")
	f := b.Function(card)
	f.Slot = "4"
	b.Guest("grading", "/srv/images/grading.qcow2")
	yes := true
	reel := invented.Controller("reel", "RL-1")
	reel.NVMe.Model = "Fast 9000"
	reel.Drive = &spec.Drive{CopyOf: "/srv/images/grading.qcow2", CopyFormat: "qcow2"}
	net := spec.Controller{Name: "net", PCI: &spec.PCIIdentity{Vendor: f.Vendor, Device: f.Device, Slot: "4"}}
	grading := invented.Guest("grading", "reel")
	grading.System, grading.Firmware, grading.Shim, grading.Entry = "windows", "/opt/f.fd", &spec.Ref{Name: "s"}, &spec.Loader{Path: `\a.efi`}
	grading.CPU, grading.Memory = &spec.CPU{Count: 32}, &spec.Memory{SizeBytes: 16 << 30, HugePages: &yes, PageBytes: 2 << 20}
	grading.Networks = []spec.Network{{Name: "lan", Bridge: "br0"}}
	grading.Disks = []spec.Disk{{Name: "a", Image: "/srv/images/grading.qcow2"}, {Name: "b", Image: "/elsewhere.qcow2"}, {Name: "c", Image: "/srv/new.qcow2", SizeBytes: 1}, {Name: "d", Image: "/srv/back.qcow2", CopyFrom: &spec.Ref{Name: "reel"}}}
	lost := invented.Controller("lost", "RL-9")
	lost.Drive = &spec.Drive{CopyOf: "/elsewhere.qcow2", CopyFormat: "qcow2"}
	layout := invented.Layout([]spec.Controller{reel, net, lost}, []spec.Guest{grading})
	layout.Shims = []spec.Shim{invented.Shim("s", "rom")}

	m := twin.Of(b.Survey)
	inside := b.Survey
	inside.Functions = nil
	for _, f := range b.Survey.Functions {
		f.Address, _ = m.Place(f.Address)
		f.Vendor, f.Device, f.Slot = 0x8086, 0x10d3, "11"
		inside.Functions = append(inside.Functions, f)
	}
	there, said := again.Layout(layout, facts.NewIndex(&b.Survey), facts.NewIndex(&inside), &m)

	assert.Equal(t, &spec.NVMeIdentity{Serial: "RL-1", At: reel.NVMe.At}, there.Controllers[0].NVMe)
	assert.Equal(t, reel.Drive, there.Controllers[0].Drive, "a stand-in is moved")
	assert.Empty(t, there.Controllers[2].Drive.CopyOf)
	assert.Equal(t, &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3, Slot: "11"}, there.Controllers[1].PCI)
	g := there.Guests[0]
	assert.Equal(t, "windows", g.System)
	assert.Nil(t, g.Shim)
	assert.Nil(t, g.Entry)
	assert.Empty(t, g.Networks)
	assert.Empty(t, there.Shims)
	assert.Equal(t, "uefi", g.Firmware)
	cpus, memory := m.MostOfGuest()
	assert.Equal(t, cpus, g.CPU.Count)
	assert.Equal(t, spec.Memory{SizeBytes: memory}, *g.Memory)
	require.Len(t, g.Disks, 3)
	assert.Equal(t, "acd", g.Disks[0].Name+g.Disks[1].Name+g.Disks[2].Name)
	assert.Equal(t, again.ShutsDownWithin, g.Stop)
	assert.Len(t, said, 13)

	assert.Equal(t, "Fast 9000", layout.Controllers[0].NVMe.Model)
	assert.Equal(t, "4", layout.Controllers[1].PCI.Slot)
	assert.Equal(t, "/srv/images/grading.qcow2", layout.Controllers[0].Drive.CopyOf)
	assert.Equal(t, 32, layout.Guests[0].CPU.Count)
	assert.Len(t, layout.Guests[0].Disks, 4)
	assert.NotNil(t, layout.Guests[0].Memory.HugePages)
}

func orderOf(steps ...step.Step) order.Order {
	var o order.Order
	for _, s := range steps {
		o.Steps = append(o.Steps, step.Written{Step: s})
	}
	return o
}

func TestSteps(t *testing.T) {
	reel := facts.Identity{Controller: "reel"}
	start, stop, guard := &step.StartGuest{Guest: "a"}, &step.StopGuest{Guest: "b"}, &step.InstallGuard{}
	back := &step.TakeBack{Controller: reel}
	m := &twin.Machine{}
	assert.Empty(t, again.Steps(orderOf(guard, stop, start), orderOf(guard, stop, start), m))
	does := func(s step.Step) string { return s.About().Does }
	assert.Equal(t, []again.Difference{{Step: does(stop)}}, again.Steps(orderOf(guard, stop, start), orderOf(guard, start), m))
	assert.Equal(t, []again.Difference{{Step: does(back), There: true}}, again.Steps(orderOf(guard), orderOf(guard, back), m))
	assert.Len(t, again.Steps(orderOf(guard, stop), orderOf(stop, guard), m), 2, "another sequence")
	assert.Equal(t, "not on the twin: "+does(stop), again.Difference{Step: does(stop)}.String())
	assert.Equal(t, []again.Difference{{Step: does(guard), There: true}}, again.Steps(orderOf(), orderOf(guard), m))
	unread := again.Steps(orderOf(), orderOf(guard), &twin.Machine{GuardUnread: true})
	require.Len(t, unread, 1)
	assert.Regexp(t, does(guard)+": what the host has in the guard's place could not be read", unread[0].String())
	watch := &step.InstallWatch{After: true}
	missing := again.Steps(orderOf(watch, stop), orderOf(stop), m)
	require.Len(t, missing, 1)
	assert.Equal(t, does(watch)+": the twin has no systemd", missing[0].String())
}

// A function that has another address there is the same one in a step's words.
func TestStepsFollowPlaces(t *testing.T) {
	was, is := facts.Address{Bus: 1}, facts.Address{Bus: 2}
	aside := func(at facts.Address) order.Order {
		return orderOf(&step.StopGuest{Guest: at.String()})
	}
	m := &twin.Machine{Places: []twin.Place{{From: was, To: is}, {From: is, To: was}}}
	assert.Empty(t, again.Steps(aside(was), aside(is), m))
	assert.Len(t, again.Steps(aside(was), aside(was), m), 2)
}

// What the twin lacks of a guest's controllers is no difference of its start; steps that
// speak of such a controller alone are missing with a reason.
func TestStepsOfWhatIsNotThere(t *testing.T) {
	at := facts.Address{Bus: 1}
	m := &twin.Machine{Places: []twin.Place{{From: at, To: facts.Address{Bus: 2}}}}
	card, lost := facts.Identity{Controller: "card", Address: at}, facts.Identity{Controller: "lost", Address: facts.Address{Bus: 9}}
	made := facts.Identity{Controller: "made", Address: at, Virtual: facts.VirtualOf{Controller: "card"}}
	start := func(borrows ...facts.Identity) order.Order {
		return orderOf(&step.StartGuest{Guest: "a", Borrows: borrows})
	}
	assert.Empty(t, again.Steps(start(card, made, lost), start(card), m))
	assert.Len(t, again.Steps(start(card), start(), m), 2, "the twin has it")
	wanted := definition.Wanted{Name: "a", Borrows: []definition.Borrowed{{Identity: card}, {Identity: lost}}}
	for name, s := range map[string]step.Step{
		"made": &step.TakeBack{Controller: made}, "lost": &step.DefineGuest{Guest: "a", Wanted: wanted},
		"": &step.SetAside{Controller: card},
	} {
		missing := again.Steps(orderOf(s), orderOf(), m)
		require.Len(t, missing, 1)
		lacks := ""
		if name != "" {
			lacks = "the twin does not have " + name
		}
		assert.Equal(t, lacks, missing[0].Lacks)
	}
}

// Where the kernel has not done what memory has, the step is named.
func TestStanding(t *testing.T) {
	b := invented.NewBuilder()
	b.NVMe("RL-1", "shelf")
	b.Guest("grading", "/srv/images/grading.qcow2")
	off := facts.NewIndex(&b.Survey)
	run := invented.NewBuilder()
	run.NVMe("RL-1", "shelf")
	run.Guest("grading", "/srv/images/grading.qcow2")
	run.Run("grading")
	on := facts.NewIndex(&run.Survey)
	o := orderOf(&step.StartGuest{Guest: "grading"})
	assert.Empty(t, again.Standing(o, on, on))
	require.Len(t, again.Standing(o, on, off), 1)
	assert.Regexp(t, `^step 1, start guest grading.*: in memory done \(.*\), by the kernel not done \(`, again.Standing(o, on, off)[0])
}

// Whatever a layout states, its guests fit into the twin, and what is stated of it
// can be assessed there.
func TestLayoutsOfRandomHosts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		survey, layout := invented.Any(t)
		m := twin.Of(survey)
		ix := facts.NewIndex(&survey)
		there, _ := again.Layout(layout, ix, ix, &m)
		assess.Assess(assess.NewCase(there, ix, nil))
		cpus, memoryBytes := m.MostOfGuest()
		for _, g := range there.Guests {
			require.True(t, g.Memory == nil || g.Memory.SizeBytes <= memoryBytes)
			require.True(t, g.CPU == nil || g.CPU.Count <= cpus)
		}
		for _, c := range there.Controllers {
			require.True(t, c.NVMe == nil || c.NVMe.Model == "")
			require.True(t, c.Virtual == nil && c.VirtualFunctions == nil)
		}
		for _, g := range there.Guests {
			for _, lent := range g.Borrows {
				require.NotNil(t, there.Controller(lent.Name))
			}
		}
	})
}

// A mount that only the host's order has is excused where the twin could not make the
// filesystem of that partition, and nowhere else.
func TestMountsThatAreMissing(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-1", "shelf", "films")
	b.Block("nvme0n1p1").Signature = &facts.Signature{Kind: "bcachefs"}
	m := twin.Of(b.Survey)
	mount := func(partition string) *step.Mount {
		return &step.Mount{Filesystem: step.Filesystem{Controller: b.Identity("reel", at), Partition: partition, Path: "/srv/" + partition}}
	}
	for partition, lacks := range map[string]string{"shelf": "the twin could not make the filesystem of shelf", "films": "", "lost": ""} {
		missing := again.Steps(orderOf(mount(partition)), orderOf(), &m)
		require.Len(t, missing, 1)
		assert.Equal(t, lacks, missing[0].Lacks, partition)
	}
}
