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
	const yes, no, open = facts.Present, facts.Absent, facts.Unknown
	off, on := new(uint64), new(uint64)
	*on = 1
	for _, c := range []struct {
		fast                     *uint64
		policy, hibernates, says facts.Held
	}{
		{off, no, yes, facts.Present}, {off, no, open, facts.Present}, {on, no, no, facts.Present}, {nil, open, no, facts.Present}, {on, yes, no, facts.Present},
		{on, no, yes, facts.Absent}, {off, yes, yes, facts.Absent}, {nil, yes, yes, facts.Absent}, {on, open, yes, facts.Absent},
		{nil, no, yes, facts.Unknown}, {off, open, yes, facts.Unknown}, {on, no, open, facts.Unknown}, {off, yes, open, facts.Unknown}, {nil, open, open, facts.Unknown},
	} {
		says, seen := boots.FastStartup(c.fast, c.policy, c.hibernates)
		assert.Equal(t, c.says, says, seen)
		assert.NotEmpty(t, seen)
	}
}
