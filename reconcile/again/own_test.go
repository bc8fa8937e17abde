package again_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/again"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/twin"
	"lendkeep/spec"
)

// lived is a host on which an order was carried out: with the guard's rules, and with
// a guest that borrows a drive whose shelf is mounted otherwise.
func lived(t *testing.T) (facts.Survey, *spec.Layout) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-1", "shelf")
	f := b.Function(at)
	f.Vendor, f.Device, f.NVMe.Model = 0x144d, 0xa80a, "Fast 9000"
	b.Mount("nvme0n1p1", "/srv/shelf")
	b.Guest("grading", "/srv/images/grading.qcow2", b.Identity("reel", at))
	layout := invented.Layout([]spec.Controller{invented.Controller("reel", "RL-1", "shelf", "/srv/shelf"), invented.Controller("lost", "RL-9")},
		[]spec.Guest{invented.Guest("grading", "reel")})
	rules := order.CompileRules(assess.NewCase(layout, facts.NewIndex(&b.Survey), nil))
	require.Len(t, rules.Controllers, 1)
	b.Survey.Guard.GuardFiles, b.Survey.Guard.Program = rules.Files(), true
	return b.Survey, layout
}

// inside gives a survey as its twin's would be: other numbers, another model, no guard
// and no notes.
func inside(t *testing.T, of facts.Survey, m *twin.Machine) facts.Survey {
	of.Functions = slices.Clone(of.Functions)
	for i := range of.Functions {
		f := &of.Functions[i]
		f.Address, _ = m.Place(f.Address)
		if f.NVMe != nil {
			drive := *f.NVMe
			drive.Model = twin.Model
			f.Vendor, f.Device, f.NVMe = 0x1b36, 0x10, &drive
		}
	}
	of.Guard.GuardFiles = facts.GuardFiles{}
	of.Libvirt.Guests = slices.Clone(of.Libvirt.Guests)
	for i, g := range m.Guests {
		kept, err := definition.Read(g.XML)
		require.NoError(t, err)
		require.Empty(t, kept.Identities)
		of.Libvirt.Guests[i].Kept = &kept
	}
	return of
}

// What earlier orders have left has an order on the twin have the same steps: rules
// and notes that are up to date are so there.
func TestOwn(t *testing.T) {
	host, layout := lived(t)
	m := twin.Of(host)
	in := inside(t, host, &m)
	own, err := again.OwnOf(facts.NewIndex(&host), facts.NewIndex(&in), &m)
	require.NoError(t, err)
	assert.Empty(t, own.Said)
	there, _ := again.Layout(layout, facts.NewIndex(&host), facts.NewIndex(&in), &m)
	c := assess.NewCase(there, facts.NewIndex(&in), nil)
	require.NotNil(t, own.Guard)
	assert.Equal(t, order.CompileRules(c).Files(), *own.Guard)
	_, err = guard.Decode(own.Guard.Rules)
	require.NoError(t, err)

	require.Len(t, own.Defined, 1)
	noted, err := definition.Read(own.Defined[0].XML)
	require.NoError(t, err)
	assert.Equal(t, []facts.Identity{c.Found("reel").Identity()}, noted.Identities)
}

// What the twin does not have is left out, and said.
func TestOwnOfWhatTheTwinLacks(t *testing.T) {
	host, _ := lived(t)
	m := twin.Of(host)
	in := inside(t, host, &m)
	in.Functions = nil
	own, err := again.OwnOf(facts.NewIndex(&host), facts.NewIndex(&in), &m)
	require.NoError(t, err)
	rules, err := guard.Decode(own.Guard.Rules)
	require.NoError(t, err)
	assert.Empty(t, rules.Controllers)
	assert.Empty(t, rules.Guests)
	noted, err := definition.Read(own.Defined[0].XML)
	require.NoError(t, err)
	assert.Empty(t, noted.Identities)
	assert.Len(t, own.Said, 2)

	host.Guard.Rules, host.Guard.HookMode = "of another version", "0644"
	own, err = again.OwnOf(facts.NewIndex(&host), facts.NewIndex(&in), &m)
	require.NoError(t, err)
	as := host.Guard.GuardFiles
	require.NotEmpty(t, as.Udev)
	as.Udev = own.Guard.Udev
	assert.Equal(t, as, *own.Guard, "what nobody can read is as it is")
	assert.NotContains(t, own.Guard.Udev, "ENV", "but what udev would do by it")

	host.Guard.Gaps = []facts.Gap{{Path: facts.GuardRules, Reason: "anybody may write it"}}
	own, err = again.OwnOf(facts.NewIndex(&host), facts.NewIndex(&in), &m)
	require.NoError(t, err)
	assert.Nil(t, own.Guard, "rules that are not believed are not carried over")
}

// What udev's rules do that are not the guard's is not tried either, and an order finds
// there too that they are others.
func TestOwnOfOtherUdevRules(t *testing.T) {
	host, _ := lived(t)
	host.Guard.Udev += `RUN+="/bin/rm -r /srv"` + "\n"
	m := twin.Of(host)
	in := inside(t, host, &m)
	own, err := again.OwnOf(facts.NewIndex(&host), facts.NewIndex(&in), &m)
	require.NoError(t, err)
	assert.Len(t, own.Said, 1)
	assert.NotContains(t, own.Guard.Udev, "RUN")
	rules, err := guard.Decode(own.Guard.Rules)
	require.NoError(t, err)
	assert.NotEqual(t, guard.UdevRules(rules), own.Guard.Udev)
	assert.NotEmpty(t, own.Guard.Udev)
}

// A hook of somebody else's in the guard's place is one on the twin too, so that an
// order leaves it alone there; what it does is not tried.
func TestOwnOfAnotherHook(t *testing.T) {
	host, _ := lived(t)
	host.Guard.Hook = "#!/bin/sh\nrm -r /srv\n"
	m := twin.Of(host)
	in := inside(t, host, &m)
	own, err := again.OwnOf(facts.NewIndex(&host), facts.NewIndex(&in), &m)
	require.NoError(t, err)
	assert.Len(t, own.Said, 1)
	assert.False(t, facts.InstalledGuard{GuardFiles: *own.Guard}.Ours())
	assert.NotContains(t, own.Guard.Hook, "/srv")
}
