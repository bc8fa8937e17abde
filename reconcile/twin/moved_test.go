package twin_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/twin"
)

// One more card moves the buses behind it; every function keeps a place of its own,
// and the machine that it was made from stays as it is.
func TestInFront(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		survey, _ := invented.Random(t)
		m := twin.Of(survey)
		was := twin.Of(survey)
		crowded, serial, room := m.InFront()
		require.Equal(t, was, m)
		if !room {
			return
		}
		require.Len(t, crowded.Places, len(m.Places))
		taken := map[facts.Address]bool{}
		cards := 0
		for i, p := range crowded.Places {
			require.Equal(t, m.Places[i].From, p.From)
			require.False(t, taken[p.To], p.To)
			taken[p.To] = true
		}
		crowded.Each(func(p *twin.Part) {
			if p.Late && p.Kind == twin.NVMe {
				cards++
				require.Equal(t, serial, p.Serial)
			}
		})
		require.Equal(t, 1, cards)
		require.LessOrEqual(t, crowded.Buses(), 256)
	})
}

// What is behind ports has another bus then.
func TestInFrontMoves(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-1", "shelf")
	b.NVMe("IN-FRONT-1")
	m := twin.Of(b.Survey)
	crowded, serial, room := m.InFront()
	require.True(t, room)
	assert.Equal(t, "IN-FRONT-2", serial, "no other drive has it")
	was, _ := m.Place(at)
	is, _ := crowded.Place(at)
	assert.Equal(t, was.Bus+1, is.Bus)
}

// A card that is not plugged in leaves its place, and that of all else.
func TestWithout(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-1", "shelf")
	other := b.NVMe("RL-2")
	m := twin.Of(b.Survey)
	absent := map[string]bool{}
	without := m.Without(at)
	without.Each(func(p *twin.Part) { absent[p.Serial] = p.Absent })
	assert.True(t, absent["RL-1"])
	assert.False(t, absent["RL-2"])
	was, _ := m.Place(other)
	is, _ := without.Place(other)
	assert.Equal(t, was, is)
	m.Each(func(p *twin.Part) { assert.False(t, p.Absent) })
}
