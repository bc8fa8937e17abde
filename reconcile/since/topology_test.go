package since

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

func TestLayOut(t *testing.T) {
	assert.Empty(t, layOut(facts.Topology{}))
	assert.Equal(t, "node 0: CPUs 0-1, 16.0 GiB; node 1: CPUs none, 8.0 GiB, huge pages 3 of 2.0 MiB; core 0-1; isolated 1", layOut(facts.Topology{
		Nodes: []facts.Node{{CPUs: "0-1", MemoryBytes: 16 << 30}, {Number: 1, MemoryBytes: 8 << 30, HugePages: []facts.Pages{{SizeBytes: 2 << 20, Total: 3}, {SizeBytes: 1 << 30}}}},
		Cores: []facts.Core{{CPUs: "0-1"}}, Isolated: "1"}))
	assert.Empty(t, layOut(facts.Topology{Nodes: []facts.Node{{}}, Gaps: []facts.Gap{{Fact: "cores"}}}), "what could not be read may be the same")
}
