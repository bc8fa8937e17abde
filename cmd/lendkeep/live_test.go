package main

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/providers/drive"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// An order waits for no sample of a drive that it does not speak of.
func TestDrivesThatAreSampled(t *testing.T) {
	b := invented.NewBuilder()
	reel := b.Identity("reel", b.NVMe("RL-4410-0073"))
	b.NVMe("RL-4410-0088")
	gone := reel
	gone.Serial = "RL-4410-0119"
	looks := func(first, second bool) []drive.Look {
		return []drive.Look{{Name: "nvme0n1", Sample: first}, {Name: "nvme1n1", Sample: second}}
	}
	assert.Equal(t, looks(true, true), liveHost{}.looks(&b.Survey))
	assert.Equal(t, looks(true, false), liveHost{about: []facts.Identity{reel}}.looks(&b.Survey))
	assert.Equal(t, looks(false, false), liveHost{about: []facts.Identity{}}.looks(&b.Survey))
	moved := b.Function(facts.Address{Bus: 1})
	moved.Address.Bus = 9
	assert.Equal(t, looks(true, false), liveHost{about: []facts.Identity{reel}}.looks(&b.Survey), "wherever it is")
	moved.NVMe = nil
	assert.Equal(t, looks(false, false)[1:], liveHost{about: []facts.Identity{gone}}.looks(&b.Survey))
}
