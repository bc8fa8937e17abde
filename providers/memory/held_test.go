package memory_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// The host in memory answers an exclusive open as a kernel does, and goes on to
// hold for whom nobody could name.
func TestExclusiveOpens(t *testing.T) {
	ctx := t.Context()
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "start", "shelf")
	b.Mount("nvme0n1p2", "/srv/shelf")
	host := memory.New(b.Survey.Answered(), nil)
	busy := func(h *memory.Host) []string {
		survey, err := h.Survey(ctx)
		require.NoError(t, err)
		require.Empty(t, facts.NewIndex(&survey).Unasked(at))
		var list []string
		for _, block := range survey.Blocks {
			if block.Exclusive == facts.HeldBySomeone {
				list = append(list, block.Name)
			}
		}
		return list
	}
	assert.Equal(t, []string{"nvme0n1", "nvme0n1p2"}, busy(host))
	require.NoError(t, host.Unmount(ctx, "/srv/shelf"))
	assert.Empty(t, busy(host))
	require.NoError(t, host.Mount(ctx, "/dev/nvme0n1p2", "xfs", "/srv/shelf", nil))
	assert.Equal(t, []string{"nvme0n1", "nvme0n1p2"}, busy(host))

	b.Block("nvme0n1p1").Exclusive = facts.HeldBySomeone
	host = memory.New(b.Survey.Answered(), nil)
	require.NoError(t, host.Unmount(ctx, "/srv/shelf"))
	assert.Equal(t, []string{"nvme0n1", "nvme0n1p1"}, busy(host))
}
