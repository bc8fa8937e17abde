package order_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
)

func TestUnderway(t *testing.T) {
	reel := facts.Identity{Controller: "reel", Address: facts.Address{Bus: 1}, Serial: "RL-4410-0073"}
	spare := facts.Identity{Controller: "spare", Address: facts.Address{Bus: 2}, Serial: "RL-4410-0088"}
	shelf := step.Filesystem{Controller: reel, Partition: "shelf", Path: "/srv/shelf"}
	o := order.Order{Steps: []step.Written{
		{Step: &step.StopGuest{Guest: "grading", LetsGo: []facts.Identity{reel}, Restart: true, Mounts: []step.Filesystem{{Controller: reel, Partition: "inner", Path: "/srv/shelf/inner"}}}},
		{Step: &step.Mount{Filesystem: shelf}},
		{Step: &step.StopGuest{Guest: "catalogue"}},
		{Step: &step.StartGuest{Guest: "grading", Borrows: []facts.Identity{reel, spare}}},
	}}
	told, starts := o.Underway()
	assert.False(t, told.Told, "that is for whoever hears it")
	assert.Equal(t, guard.Ordered{Guests: []string{"catalogue", "grading"}, Mounts: []string{"/srv/shelf", "/srv/shelf/inner"}, Takes: []facts.Identity{}}, told)
	assert.Equal(t, map[string][]facts.Identity{"grading": {reel, spare}, "catalogue": {}}, starts)

	told, starts = order.Order{}.Underway()
	assert.Equal(t, guard.Ordered{Guests: []string{}, Mounts: []string{}, Takes: []facts.Identity{}}, told, "JSON has no null of it")
	assert.Empty(t, starts)
}
