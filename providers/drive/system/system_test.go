package system

import (
	"context"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

// Of several nobody knows here which is started, and what could not be read may be one.
func TestLookOfSeveral(t *testing.T) {
	before := lookers
	t.Cleanup(func() { lookers = before })
	one := func(i *facts.Installed) func(context.Context, io.ReaderAt, *facts.Content) *facts.Installed {
		return func(context.Context, io.ReaderAt, *facts.Content) *facts.Installed { return i }
	}
	a, b, gap := &facts.Installed{Kind: "linux"}, &facts.Installed{Kind: "windows", Partition: 3}, &facts.Installed{Gap: "partition 2 is btrfs"}
	several := func(text string) *facts.Installed {
		return &facts.Installed{Gap: "more than one installed system may be on it: " + text}
	}
	for _, c := range []struct {
		seen []*facts.Installed
		want *facts.Installed
	}{
		{nil, nil}, {[]*facts.Installed{nil, a}, a}, {[]*facts.Installed{gap, nil}, gap},
		{[]*facts.Installed{gap, b}, several("partition 2 is btrfs; windows on partition 3")},
		{[]*facts.Installed{a, b}, several("linux; windows on partition 3")},
	} {
		lookers = nil
		for _, i := range c.seen {
			lookers = append(lookers, one(i))
		}
		assert.Equal(t, c.want, Look(t.Context(), nil, &facts.Content{}))
	}
	lookers = []func(context.Context, io.ReaderAt, *facts.Content) *facts.Installed{one(a)}
	marked := Look(t.Context(), nil, &facts.Content{Table: &facts.Table{}, Signature: &facts.Signature{Kind: "linux_raid_member"}})
	assert.Empty(t, marked.Kind)
	assert.Contains(t, marked.Gap, "linux_raid_member")
	assert.Nil(t, Look(t.Context(), nil, &facts.Content{Unfinished: "order"}))
}
