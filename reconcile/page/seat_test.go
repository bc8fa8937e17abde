package page

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

func TestSeat(t *testing.T) {
	assert.Empty(t, seat(&facts.Definition{}))
	assert.Equal(t, " in huge pages", seat(&facts.Definition{HugePages: true}))
	assert.Equal(t, " in huge pages of 2.0 MiB of node 1, pinned to CPUs 3,7", seat(&facts.Definition{HugePages: true, PageBytes: 2 << 20, MemoryNodes: "1", Pinned: "3,7"}))
}
