package measure

import (
	"bytes"
	"compress/flate"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// compressed gives how long a text becomes at best.
func compressed(t *testing.T, text []byte) int {
	var out bytes.Buffer
	w, err := flate.NewWriter(&out, flate.BestCompression)
	require.NoError(t, err)
	_, err = w.Write(text)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	return out.Len()
}

func TestFillingCannotBeMadeSmaller(t *testing.T) {
	l := aLane()
	assert.Less(t, compressed(t, l.buffer), Block/100, "zeros: the check can fail")
	fill(l.buffer, l.random)
	assert.GreaterOrEqual(t, compressed(t, l.buffer), Block)
	seen := map[string]bool{}
	for range 100 {
		mark(l.buffer[:4<<10], l.random)
		assert.GreaterOrEqual(t, compressed(t, l.buffer[:4<<10]), 4<<10)
		for at := 0; at < 4<<10; at += 512 {
			sector := string(l.buffer[at : at+512])
			assert.False(t, seen[sector], "a sector is written twice")
			seen[sector] = true
		}
	}
}
