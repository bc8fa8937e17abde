package boots_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
)

func TestStartsAtBoot(t *testing.T) {
	for _, c := range []struct {
		start uint64
		over  map[string]uint64
		says  facts.Held
		seen  string
	}{
		{0, nil, facts.Present, `stornvme\Start is 0`},
		{3, nil, facts.Absent, `stornvme\Start is 3`},
		{0, map[string]uint64{"0": 0}, facts.Present, `stornvme\Start is 0, StartOverride\0 is 0`},
		{0, map[string]uint64{"0": 3}, facts.Absent, `stornvme\Start is 0, StartOverride\0 is 3`},
		{0, map[string]uint64{"1": 3}, facts.Unknown, `stornvme\Start is 0, StartOverride\1 is 3`},
		{0, map[string]uint64{"0": 3, "1": 3}, facts.Absent, `stornvme\Start is 0, StartOverride\0 is 3, StartOverride\1 is 3`},
		{3, map[string]uint64{"1": 3}, facts.Absent, `stornvme\Start is 3, StartOverride\1 is 3`},
	} {
		says, seen := boots.StartsAtBoot("stornvme", c.start, c.over)
		assert.Equal(t, c.says, says, c.seen)
		assert.Equal(t, c.seen, seen)
	}
}

func TestFastStartup(t *testing.T) {
	no, yes := new(uint64), new(uint64)
	*yes = 1
	for _, c := range []struct {
		hibernate, fast *uint64
		says            facts.Held
	}{
		{yes, yes, facts.Absent}, {no, yes, facts.Present}, {yes, no, facts.Present}, {no, no, facts.Present},
		{nil, no, facts.Present}, {no, nil, facts.Present}, {nil, yes, facts.Unknown}, {yes, nil, facts.Unknown}, {nil, nil, facts.Unknown},
	} {
		says, seen := boots.FastStartup(c.hibernate, c.fast)
		assert.Equal(t, c.says, says, seen)
		assert.NotEmpty(t, seen)
	}
}
