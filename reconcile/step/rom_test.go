package step_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

func TestPlaceROMStands(t *testing.T) {
	s := &step.PlaceROM{Controller: "reel", Donor: "/srv/donor.fd", DonorSum: "d0", ROM: facts.ROMFor(reel, "0a1b2c3d")}
	other := s.ROM
	other.Device++
	for name, c := range map[string]struct {
		survey facts.Survey
		want   step.Standing
	}{
		"nothing there":         {facts.Survey{}, step.Before},
		"planned":               {facts.Survey{ROMs: []facts.PlacedROM{{ROM: s.ROM}}}, step.After},
		"of another device":     {facts.Survey{ROMs: []facts.PlacedROM{{ROM: other}}}, step.Neither},
		"none that was built":   {facts.Survey{ROMs: []facts.PlacedROM{{ROM: facts.ROM{Path: s.ROM.Path}, Why: "torn"}}}, step.Neither},
		"folder not to be read": {facts.Survey{ROMGap: "permission denied"}, step.Neither},
	} {
		standing, seen := s.Stands(facts.NewIndex(&c.survey))
		assert.Equal(t, c.want, standing, name)
		assert.NotEmpty(t, seen)
	}
}

func TestPlaceROMIsRefused(t *testing.T) {
	s := &step.PlaceROM{Controller: "reel", Donor: "/srv/donor.fd", DonorSum: "d0", ROM: facts.ROMFor(reel, "0a1b2c3d")}
	b := host()
	require.ErrorContains(t, s.Ready(facts.NewIndex(&b.Survey)), "plan again")
	b.Survey.Firmware = []facts.Firmware{{Path: "/srv/donor.fd", SHA256: "d1"}}
	require.ErrorContains(t, s.Ready(facts.NewIndex(&b.Survey)), "plan again")
	b.Survey.Firmware[0].SHA256 = "d0"
	require.NoError(t, s.Ready(facts.NewIndex(&b.Survey)))

	require.NoError(t, s.MayUndo(facts.NewIndex(&b.Survey)))
	b.Survey.Libvirt.Guests[0].Kept.Hostdevs[0].ROM = s.ROM.Path
	require.ErrorContains(t, s.MayUndo(facts.NewIndex(&b.Survey)), "guest grading")
}
