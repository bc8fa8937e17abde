package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

// Where each kind of pool keeps its volumes: libvirt, "Storage Management".
func TestPathOfAVolume(t *testing.T) {
	for _, c := range []struct {
		pool  facts.Pool
		named string
		known bool
	}{
		{facts.Pool{Kind: "dir", Target: "/srv/images"}, "/srv/images/x", true},
		{facts.Pool{Kind: "logical", Target: "/dev/vg"}, "/dev/vg/x", true},
		{facts.Pool{Kind: "rbd"}, "", true},
		{facts.Pool{Kind: "iscsi-direct"}, "", true},
		{facts.Pool{Kind: "iscsi", Target: "/dev/disk/by-path"}, "", false},
		{facts.Pool{Kind: "mpath", Target: "/dev/mapper"}, "", false},
		{facts.Pool{Kind: "dir"}, "", false},
		{facts.Pool{Kind: "new"}, "", false},
	} {
		named, known := c.pool.PathOf("x")
		assert.Equal(t, c.named, named, c.pool)
		assert.Equal(t, c.known, known, c.pool)
	}
}
