//go:build libvirt_dlopen

package libvirt

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// libvirt's test driver tells of starts and ends without a daemon.
func TestFollowTellsOfStartsAndEnds(t *testing.T) {
	c, err := OpenToFollow("test:///default")
	require.NoError(t, err)
	defer c.Close()
	ctx, cancel := context.WithCancel(t.Context())
	news, err := c.Follow(ctx)
	require.NoError(t, err)
	xml := strings.Replace(sample(t, "grading"), "<domain type='qemu'", "<domain type='test'", 1)
	require.NoError(t, c.Define(ctx, xml))
	require.NoError(t, c.Start(ctx, "grading"))
	require.NoError(t, c.Stop(ctx, "grading", time.Minute))
	var told []string
	for len(told) < 3 {
		n := next(t, news)
		require.Equal(t, "grading", n.Guest)
		if n.What != "shut down" { // the test driver is not of one mind about it
			told = append(told, n.What)
		}
	}
	assert.Equal(t, []string{"defined", "started", "stopped"}, told)

	cancel()
	for range news { // it ends, or the test runs into its time limit
	}
	_, err = c.Follow(t.Context())
	assert.NoError(t, err, "it can be followed again")
}

func TestFollowAfterCloseIsRefused(t *testing.T) {
	c, err := OpenToFollow("test:///default")
	require.NoError(t, err)
	c.Close()
	_, err = c.Follow(t.Context())
	require.ErrorContains(t, err, "closed")
}

func next(t *testing.T, news <-chan News) News {
	select {
	case n, open := <-news:
		require.True(t, open)
		return n
	case <-time.After(30 * time.Second):
		t.Fatal("libvirt tells nothing")
		return News{}
	}
}
