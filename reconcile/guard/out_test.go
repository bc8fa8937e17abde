package guard_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
)

// A controller that is out is known by the rules, else by what a guest's
// definition notes, and by nothing where that is disputed or it is home.
func TestOuts(t *testing.T) {
	host := func() (*invented.Builder, facts.Identity) {
		b := invented.NewBuilder()
		reel := b.Identity("reel", b.NVMe("RL-4410-0073", "shelf"))
		b.Guest("grading", "", reel)
		return b, reel
	}
	lend := func(b *invented.Builder, at facts.Address) {
		f := b.Function(at)
		f.Driver, f.NVMe = "vfio-pci", nil
	}
	b, reel := host()
	assert.Empty(t, guard.Outs(facts.NewIndex(&b.Survey)), "it is home")
	lend(b, reel.Address)
	out, is := guard.Outs(facts.NewIndex(&b.Survey))[reel.Address]
	require.True(t, is)
	assert.Equal(t, "RL-4410-0073", out.Identity.Serial)
	assert.Nil(t, out.With, "nobody has it")
	b.Run("grading")
	rules := guard.Rules{Format: guard.Format, NeverLend: []string{}, Guests: []guard.Guest{}, Controllers: []guard.Controller{{Identity: reel, Model: "QEMU NVMe Ctrl", SizeBytes: 2 << 30, OnFailure: "hold",
		Mounts: []guard.Mount{{Partition: "shelf", Path: "/srv/shelf", Options: []string{}}}, Keeps: []guard.Partition{{Name: "shelf"}, {Name: "more"}}}}}
	b.Survey.Guard.Rules = rules.Encode()
	out = guard.Outs(facts.NewIndex(&b.Survey))[reel.Address]
	assert.Equal(t, "QEMU NVMe Ctrl", out.Model)
	assert.Equal(t, "grading", out.With.Name)
	assert.Equal(t, []string{"shelf", "more"}, out.Partitions())

	b, reel = host()
	other := reel
	other.Serial = "RL-4410-0088"
	b.Guest("scanner-desk", "", other)
	lend(b, reel.Address)
	assert.Empty(t, guard.Outs(facts.NewIndex(&b.Survey)), "two notes do not agree")
}
