package facts_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// Whether a whole slot is what its record says, and where it is.
func TestWhereAWholeSlotIs(t *testing.T) {
	lend := func(b *invented.Builder, guest string, at facts.Address) {
		b.Function(at).Driver = "vfio-pci"
		if guest != "" {
			b.Guest(guest, "")
			b.Hold(guest, at)
			b.Run(guest)
		}
	}
	for name, c := range map[string]struct {
		change func(b *invented.Builder, first, second facts.Address)
		want   facts.Whereabouts
		unlike string
	}{
		"as it was":              {func(b *invented.Builder, first, second facts.Address) {}, facts.Home, ""},
		"without drivers":        {func(b *invented.Builder, first, second facts.Address) { b.Function(first).Driver = "" }, facts.Home, ""},
		"on VFIO":                {func(b *invented.Builder, first, second facts.Address) { lend(b, "", first); lend(b, "", second) }, facts.Aside, ""},
		"one on VFIO":            {func(b *invented.Builder, first, second facts.Address) { lend(b, "", second) }, facts.Aside, ""},
		"lent":                   {func(b *invented.Builder, first, second facts.Address) { lend(b, "a", first); lend(b, "", second) }, facts.Lent, ""},
		"the second lent":        {func(b *invented.Builder, first, second facts.Address) { lend(b, "a", second) }, facts.Lent, ""},
		"another of that number": {func(b *invented.Builder, first, second facts.Address) { b.Function(second).Device = 1 }, facts.Gone, "10de:0001/1043:8790 is at 0000:e0:00.1"},
		"of another maker":       {func(b *invented.Builder, first, second facts.Address) { b.Function(first).SubsystemVendor = 1 }, facts.Gone, "10de:2484/0001:8790 is at 0000:e0:00.0"},
		"one is gone":            {func(b *invented.Builder, first, second facts.Address) { drop(b, second) }, facts.Gone, "nothing is at 0000:e0:00.1"},
		"the first is gone":      {func(b *invented.Builder, first, second facts.Address) { drop(b, first) }, facts.Gone, "nothing is at 0000:e0:00.0"},
		"one more": {func(b *invented.Builder, first, second facts.Address) {
			b.Survey.Functions = append(b.Survey.Functions, facts.Function{Address: facts.Address{Bus: 0xe0, Function: 7}, Vendor: 1, Device: 1})
		}, facts.Gone, "0001:0001 at 0000:e0:00.7 is not among its functions"},
		"a virtual function more": {func(b *invented.Builder, first, second facts.Address) {
			b.Survey.Functions = append(b.Survey.Functions, facts.Function{Address: facts.Address{Bus: 0xe0, Function: 7}, Vendor: 1, Device: 1, Parent: &first})
		}, facts.Home, ""},
		"one of which nothing is known": {func(b *invented.Builder, first, second facts.Address) {
			b.Survey.Functions = append(b.Survey.Functions, facts.Function{Address: facts.Address{Bus: 0xe0, Function: 7}, Gaps: []facts.Gap{{Fact: facts.GapAll, Path: "p", Reason: "r"}}})
		}, facts.Gone, "the anything of 0000:e0:00.7 is not known"},
		"a maker that is not known": {func(b *invented.Builder, first, second facts.Address) {
			b.Function(second).Gaps = []facts.Gap{{Fact: "subsystem_device", Path: "p", Reason: "r"}}
		}, facts.Gone, "the subsystem_device of 0000:e0:00.1 is not known: p: r"},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			at := b.Screen()
			r := b.Whole("screen", at)
			require.Equal(t, []facts.Address{at, {Bus: at.Bus, Function: 1}}, r.Addresses())
			c.change(b, at, r.Addresses()[1])
			ix := facts.NewIndex(&b.Survey)
			where, f, holder := ix.Where(r)
			assert.Equal(t, c.want, where)
			assert.Equal(t, where == facts.Gone, f == nil)
			assert.Equal(t, where == facts.Lent, holder != nil)
			if c.unlike == "" {
				assert.Empty(t, ix.Unlike(r))
			} else {
				assert.Contains(t, ix.Unlike(r), c.unlike)
			}
		})
	}
}

func drop(b *invented.Builder, at facts.Address) {
	for i, f := range b.Survey.Functions {
		if f.Address == at {
			b.Survey.Functions = append(b.Survey.Functions[:i], b.Survey.Functions[i+1:]...)
			return
		}
	}
}

// A record is read back as it was written, and one of a lone function has no word of
// functions.
func TestRecordOfAWholeSlotRoundTrip(t *testing.T) {
	b := invented.NewBuilder()
	at := b.Screen()
	for _, r := range []facts.Identity{b.Whole("screen", at), b.Identity("screen", at)} {
		text, err := json.Marshal(r)
		require.NoError(t, err)
		var again facts.Identity
		require.NoError(t, json.Unmarshal(text, &again))
		assert.Equal(t, r, again)
		assert.Equal(t, r.Whole(), again.Whole())
		if !r.Whole() {
			assert.NotContains(t, string(text), "functions")
		}
	}
}
