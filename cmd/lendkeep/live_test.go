package main

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/providers/drive"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
)

// An order waits for no sample of a drive that it does not speak of.
func TestDrivesThatAreSampled(t *testing.T) {
	b := invented.NewBuilder()
	reel := b.Identity("reel", b.NVMe("RL-4410-0073"))
	b.NVMe("RL-4410-0088")
	gone := reel
	gone.Serial, gone.Address.Bus = "RL-4410-0119", 7
	looks := func(first, second bool) []drive.Look {
		return []drive.Look{{Name: "nvme0n1", Sample: first}, {Name: "nvme1n1", Sample: second}}
	}
	of := func(list ...facts.Identity) []drive.Look {
		return liveHost{about: order.Order{Controllers: list}.Functions}.looks(&b.Survey)
	}
	assert.Equal(t, looks(true, true), liveHost{}.looks(&b.Survey))
	assert.Equal(t, looks(true, false), of(reel))
	assert.Equal(t, looks(false, false), of())
	assert.Equal(t, looks(false, false), of(gone))
	b.Function(facts.Address{Bus: 1}).Address.Bus = 9
	assert.Equal(t, looks(true, false), of(reel), "wherever it is")
}
