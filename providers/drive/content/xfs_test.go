package content

import (
	"bytes"
	"encoding/binary"
	"testing"

	"github.com/stretchr/testify/assert"
)

// ring is a log by hand: in the first blocks of its ring the round 7, behind
// them 6, and a record of unmounting that ends where 7 ends.
func ring(head uint64) *xfsLog {
	const blocks = 8192
	b := make([]byte, blocks*xfsBlock)
	word := func(block, at, value uint64) { binary.BigEndian.PutUint32(b[block*xfsBlock+at:], uint32(value)) }
	for block := range uint64(blocks) {
		word(block, 0, 6+(blocks+head-1-block)/blocks)
	}
	header, first := (head+blocks-2)%blocks, (head+blocks-1)%blocks
	word(header, 4, uint64(binary.BigEndian.Uint32(b[header*xfsBlock:])))
	word(header, 0, xfsRecord)
	word(header, 8, 2)
	word(header, 12, xfsBlock)
	word(header, 40, 1)
	word(header, 320, 32<<10)
	b[first*xfsBlock+9] = xfsUnmount
	return &xfsLog{newVolume(bytes.NewReader(b), 0, uint64(len(b))), 0, blocks}
}

func TestXFSRing(t *testing.T) {
	for _, head := range []uint64{1, 2, 3, 1000, 8190, 8191, 8192} {
		assert.Equal(t, head, ring(head).head())
		assert.True(t, ring(head).unmounted(), head)
	}
	change := func(head, at uint64, value byte) bool {
		l := ring(head)
		b := l.read(0, 4096)
		b = append(b, l.read(4096, 4096)...)
		b[at] = value
		l.v = newVolume(bytes.NewReader(b), 0, uint64(len(b)))
		return l.unmounted()
	}
	assert.False(t, change(1000, 999*512+9, 0), "another record is the last")
	assert.False(t, change(1000, 998*512+43, 2), "it has two operations")
	assert.False(t, change(1000, 998*512+15, 1), "it has another length")
	assert.False(t, change(1000, 1500*512+3, 7), "a block of this round behind the head")
	assert.False(t, change(1000, 500*512+3, 6), "a block of the round before, before the head")
}
