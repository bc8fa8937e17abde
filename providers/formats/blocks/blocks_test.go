package blocks

import (
	"bytes"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestReader(t *testing.T) {
	b := make([]byte, 3*blockBytes+100)
	for i := range b {
		b[i] = byte(i * 7 >> 3)
	}
	r := &Reader{R: bytes.NewReader(b), Bytes: uint64(len(b)), Most: uint64(len(b))}
	for _, c := range [][2]int{{0, 10}, {blockBytes - 5, 10}, {100, 3 * blockBytes}, {3 * blockBytes, 100}} {
		got := make([]byte, c[1])
		n, err := r.ReadAt(got, int64(c[0]))
		require.NoError(t, err)
		assert.Equal(t, c[1], n)
		assert.Equal(t, b[c[0]:c[0]+c[1]], got)
	}
	n, err := r.ReadAt(make([]byte, 200), 3*blockBytes)
	assert.Equal(t, 100, n)
	assert.Equal(t, io.EOF, err)
	_, err = r.ReadAt(make([]byte, 1), -1)
	assert.Equal(t, io.EOF, err)
	_, err = r.ReadAt(make([]byte, 1), 0)
	require.NoError(t, err, "it is remembered")
	r.known = nil
	_, err = r.ReadAt(make([]byte, 1), 0)
	assert.Equal(t, ErrTooMuch, err)
	r.Most = 0
	_, err = r.ReadAt(make([]byte, 1), 0)
	require.NoError(t, err, "without a bound")
	r.Bytes, r.known = 4*blockBytes, nil
	_, err = r.ReadAt(make([]byte, 1), 3*blockBytes)
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF, "the disk is shorter than it is said to be")
}
