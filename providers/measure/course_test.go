package measure

import (
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/speed"
)

func aLane() *lane {
	return &lane{buffer: make([]byte, Block), random: rand.New(rand.NewPCG(1, 2))}
}

// offsets gives those of so many operations.
func offsets(t *testing.T, kind speed.Kind, blocks, first, n int64) []int64 {
	c := &course{kind: kind, blocks: blocks, first: first, most: n, stopped: new(atomic.Bool)}
	var list []int64
	for l := aLane(); c.next(l); {
		list = append(list, l.offset)
		c.done(l, int(kind.BlockBytes), nil)
	}
	assert.Len(t, list, int(n))
	for _, at := range list {
		assert.Zero(t, at%kind.BlockBytes)
		assert.True(t, at >= 0 && at < blocks*kind.BlockBytes, "offset %d", at)
	}
	return list
}

func TestSequentialOffsets(t *testing.T) {
	kind := speed.Kind{Access: speed.Sequential, Deed: speed.Read, BlockBytes: Block, Depth: 8}
	assert.Equal(t, []int64{5 * Block, 6 * Block, 0, Block, 2 * Block, 3 * Block, 4 * Block, 5 * Block, 6 * Block}, offsets(t, kind, 7, 5, 9))
}

// Random offsets reach the whole file, everywhere about as often: each of 64 places
// 100 times in the mean.
func TestRandomOffsets(t *testing.T) {
	kind := speed.Kind{Access: speed.Random, Deed: speed.Read, BlockBytes: 4 << 10, Depth: 32}
	list := offsets(t, kind, 64, 0, 6400)
	count := map[int64]int{}
	for _, at := range list {
		count[at]++
	}
	assert.Len(t, count, 64)
	for at, n := range count {
		assert.True(t, n > 50 && n < 200, "offset %d: %d times", at, n)
	}
	assert.False(t, slices.IsSorted(list))
}

func TestNothingBeginsOnceItIsOver(t *testing.T) {
	c := &course{kind: speed.Kinds[0], blocks: 7, stopped: new(atomic.Bool)}
	assert.True(t, c.next(aLane()))
	c.stopped.Store(true)
	assert.False(t, c.next(aLane()))
	assert.ErrorIs(t, c.error(nil), errStopped)

	late := &course{kind: speed.Kinds[0], blocks: 7, lasts: 1, until: now(), stopped: new(atomic.Bool)}
	for range late.kind.Depth {
		assert.True(t, late.next(aLane()))
	}
	assert.False(t, late.next(aLane()))

	short := &course{kind: speed.Kinds[0], blocks: 7, stopped: new(atomic.Bool)}
	l := aLane()
	assert.True(t, short.next(l))
	short.done(l, 512, nil)
	assert.False(t, short.next(l))
	assert.ErrorContains(t, short.error(nil), "read 1048576 bytes at offset 0: only 512 of them")
}

func TestBlank(t *testing.T) {
	for at, want := range map[int]bool{-1: true, 0: false, 7: false, 3*512 + 2: false} {
		block := make([]byte, 4<<10)
		if at >= 0 {
			block[at] = 1
		}
		assert.Equal(t, want, blank(block), "byte %d", at)
	}
}

func TestPercent(t *testing.T) {
	assert.Nil(t, percent(3, 0))
	for _, c := range []struct{ part, whole, want int64 }{{0, 10, 0}, {1, 1000, 1}, {50, 100, 50}, {7, 5, 100}, {-1, 5, 0}} {
		assert.Equal(t, int(c.want), *percent(c.part, c.whole), "%d of %d", c.part, c.whole)
	}
}
