package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

func TestStaticNodes(t *testing.T) {
	// Lines of modules.devname as depmod (kmod 30) writes it.
	nodes, err := staticNodes("# Device nodes to trigger on-demand module loading.\nvfio vfio/vfio c10:196\nloop loop-control c10:237\n")
	require.NoError(t, err)
	assert.Equal(t, []node{
		{"vfio/vfio", unix.S_IFCHR | 0o600, 10, 196},
		{"loop-control", unix.S_IFCHR | 0o600, 10, 237},
	}, nodes)
	nodes, err = staticNodes("floppy fd0 b2:0\n")
	require.NoError(t, err)
	assert.Equal(t, []node{{"fd0", unix.S_IFBLK | 0o600, 2, 0}}, nodes)
	_, err = staticNodes("vfio vfio/vfio\n")
	assert.Error(t, err)
}

func FuzzStaticNodes(f *testing.F) {
	f.Add("vfio vfio/vfio c10:196\n")
	f.Fuzz(func(t *testing.T, text string) {
		nodes, err := staticNodes(text)
		for _, n := range nodes {
			assert.NoError(t, err)
			assert.NotEmpty(t, n.name)
		}
	})
}
