package twin_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/twin"
)

// Of a drive that is lent the guard's rules tell what the host keeps on it.
func TestRecalled(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-1", "shelf")
	identity := b.Identity("reel", at)
	id := "087b6313-d3fe-49f8-b81d-e21b8eaebec1"
	controller := guard.Controller{Identity: identity, SizeBytes: 4<<30 + 1, OnFailure: "hold",
		Keeps: []guard.Partition{{Name: "films"}, {Name: "shelf", ID: id}}, Mounts: []guard.Mount{{Partition: "shelf", FSType: "xfs", Path: "/srv/shelf", Options: []string{}}}}
	lent := func(controllers ...guard.Controller) *twin.Part {
		rules := guard.Rules{Format: guard.Format, NeverLend: []string{}, Controllers: append([]guard.Controller{}, controllers...), Guests: []guard.Guest{}}
		s := b.Survey
		s.Guard.GuardFiles = rules.Files()
		s.Functions = append([]facts.Function{}, s.Functions...)
		for i := range s.Functions {
			if f := &s.Functions[i]; f.Address == at {
				f.NVMe, f.Driver = nil, "vfio-pci"
			}
		}
		s.Blocks = nil
		_, err := guard.Installed(s.Guard)
		require.NoError(t, err)
		m := twin.Of(s)
		var found *twin.Part
		m.Each(func(p *twin.Part) {
			if p.Of != nil && *p.Of == at {
				found = p
			}
		})
		require.NotNil(t, found)
		require.Len(t, found.Disks, 1)
		return found
	}
	part := lent(controller)
	assert.Equal(t, "RL-1", part.Serial)
	d := part.Disks[0]
	assert.EqualValues(t, 4<<30, d.SizeBytes)
	require.NotNil(t, d.Table)
	require.Len(t, d.Table.Partitions, 3)
	esp, films, shelf := d.Table.Partitions[0], d.Table.Partitions[1], d.Table.Partitions[2]
	assert.Equal(t, facts.TypeESP, esp.Type)
	assert.Equal(t, "vfat", esp.Holds.Kind)
	assert.Equal(t, "films", films.Name)
	assert.Nil(t, films.Holds)
	assert.Equal(t, "shelf", shelf.Name)
	assert.Equal(t, id, shelf.ID)
	assert.Equal(t, "xfs", shelf.Holds.Kind)
	assert.Equal(t, films.SizeBytes, shelf.SizeBytes)
	assert.Equal(t, films.StartBytes+films.SizeBytes, shelf.StartBytes)

	controller.SizeBytes = 0
	assert.EqualValues(t, 8<<30, lent(controller).Disks[0].SizeBytes)
	assert.Nil(t, lent().Disks[0].Table, "no rules: an empty one")
	controller.SizeBytes = 1 << 20
	require.NotNil(t, lent(controller).Disks[0].Table)
	assert.Empty(t, lent(controller).Disks[0].Table.Partitions, "too small for any, and said so")
}
