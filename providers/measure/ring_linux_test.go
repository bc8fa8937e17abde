package measure

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// What the kernel gives back undone is handed over once more, as it was; not without
// end.
func TestCancelledIsHandedOverAgain(t *testing.T) {
	var taken, handed, seen, arrived uint32
	r := &ring{entries: make([]ringEntry, 4), order: make([]uint32, 4), done: make([]ringDone, 4), taken: &taken, handed: &handed, seen: &seen, arrived: &arrived}
	r.flying[2] = ringEntry{op: ringWrite, offset: 4096, length: 512, lane: 2}
	r.done[0] = ringDone{lane: 2, result: -int32(unix.ECANCELED)}
	arrived = 1
	require.NoError(t, r.wait(func(int, int, error) { t.Error("it is not done") }))
	assert.Equal(t, uint32(1), handed)
	assert.Equal(t, r.flying[2], r.entries[r.order[0]])

	taken, arrived, r.cancelled = 1, 2, mostCancelled
	r.done[1] = r.done[0]
	var last error
	require.NoError(t, r.wait(func(i, _ int, err error) { last = err }))
	require.ErrorIs(t, last, unix.ECANCELED)
}
