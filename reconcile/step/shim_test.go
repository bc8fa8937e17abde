package step_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

func placeShim() *step.PlaceShim {
	return &step.PlaceShim{Controller: reel, Donor: "/srv/donor.fd", DonorSum: "d0",
		Shim: facts.ShimFor("reel", facts.Shim{Driver: "0a", Shell: "5e"})}
}

func TestPlaceShimStands(t *testing.T) {
	s := placeShim()
	other := s.Shim
	other.Loader = `\other.efi`
	for name, c := range map[string]struct {
		survey facts.Survey
		want   step.Standing
	}{
		"nothing there":          {facts.Survey{}, step.Before},
		"planned":                {facts.Survey{Shims: []facts.PlacedShim{{Shim: s.Shim}}}, step.After},
		"planned, folder closed": {facts.Survey{Shims: []facts.PlacedShim{{Shim: s.Shim}}, ShimGap: "mode 0700"}, step.After},
		"with another loader":    {facts.Survey{Shims: []facts.PlacedShim{{Shim: other}}}, step.Neither},
		"none that was built":    {facts.Survey{Shims: []facts.PlacedShim{{Shim: facts.Shim{Path: s.Shim.Path}, Why: "torn"}}}, step.Neither},
		"folder not to be used":  {facts.Survey{ShimGap: "permission denied"}, step.Neither},
	} {
		standing, seen := s.Stands(facts.NewIndex(&c.survey))
		assert.Equal(t, c.want, standing, name)
		assert.NotEmpty(t, seen)
	}
}

func TestPlaceShimIsRefused(t *testing.T) {
	s := placeShim()
	b := host()
	require.ErrorContains(t, s.Ready(facts.NewIndex(&b.Survey)), "plan again")
	b.Survey.Firmware = []facts.Firmware{{Path: "/srv/donor.fd", SHA256: "d1"}}
	require.ErrorContains(t, s.Ready(facts.NewIndex(&b.Survey)), "plan again")
	b.Survey.Firmware[0].SHA256 = "d0"
	require.NoError(t, s.Ready(facts.NewIndex(&b.Survey)))
	s.Shim.From = facts.SystemPartition{Number: 1, ID: "moved", First: 2048, Sectors: 1}
	require.NoError(t, s.Ready(facts.NewIndex(&b.Survey)), "what its partitions are is not known yet")
	for _, name := range []string{"nvme0n1p1", "nvme0n1p2"} {
		b.Block(name).Partition.Type = facts.TypeESP
	}
	require.ErrorContains(t, s.Ready(facts.NewIndex(&b.Survey)), "not where it was")
	s.Copied = true
	require.NoError(t, s.Ready(facts.NewIndex(&b.Survey)), "a step of the order brings it")

	require.NoError(t, s.MayUndo(facts.NewIndex(&b.Survey)))
	kept := b.Survey.Libvirt.Guests[0].Kept
	kept.Disks = append(kept.Disks, facts.Disk{Kind: facts.KindShim, Source: s.Shim.Path})
	require.ErrorContains(t, s.MayUndo(facts.NewIndex(&b.Survey)), "guest grading")
}

func TestWriteEntry(t *testing.T) {
	s := &step.WriteEntry{Guest: "grading", Store: "/vars.fd", StoreSum: "a0",
		Entry: facts.NewEntry{Label: "x", Partition: facts.SystemPartition{Number: 1, ID: "p"}, File: `\a.efi`}}
	first := facts.BootEntry{Active: true, Place: 1, Short: true, Partition: "p", File: `\A.EFI`}
	for name, c := range map[string]struct {
		stores []facts.VariableStore
		want   step.Standing
	}{
		"as it was":      {[]facts.VariableStore{{Path: "/vars.fd", SHA256: "a0"}}, step.Before},
		"written":        {[]facts.VariableStore{{Path: "/vars.fd", SHA256: "a1", Entries: []facts.BootEntry{first}}}, step.After},
		"changed since":  {[]facts.VariableStore{{Path: "/vars.fd", SHA256: "a1"}}, step.Neither},
		"cannot be read": {[]facts.VariableStore{{Path: "/vars.fd", Unread: "torn"}}, step.Neither},
		"gone":           {nil, step.Neither},
	} {
		standing, seen := s.Stands(facts.NewIndex(&facts.Survey{Stores: c.stores}))
		assert.Equal(t, c.want, standing, name)
		assert.NotEmpty(t, seen)
	}
	b := host()
	require.ErrorContains(t, s.Ready(facts.NewIndex(&b.Survey)), "have changed")
	b.Survey.Stores = []facts.VariableStore{{Path: "/vars.fd", SHA256: "a0"}}
	require.NoError(t, s.Ready(facts.NewIndex(&b.Survey)))
	b.Survey.Libvirt.Guests[0].Running = true
	require.ErrorContains(t, s.Ready(facts.NewIndex(&b.Survey)), "guest grading")
	require.ErrorContains(t, s.MayUndo(facts.NewIndex(&b.Survey)), "guest grading")
}
