package linux

import (
	"bytes"
	"io"
	"io/fs"
	"testing"

	"github.com/stretchr/testify/assert"
)

// odd is a filesystem with one file of any size.
type odd int64

func (odd) Root() uint64 { return 0 }
func (o odd) Stat(number uint64) (fs.FileMode, int64, error) {
	if number == 0 {
		return fs.ModeDir, 0, nil
	}
	return 0, int64(o), nil
}
func (odd) List(uint64) (map[string]uint64, error) { return map[string]uint64{"file": 1}, nil }
func (odd) Link(uint64) (string, error)            { return "", fs.ErrInvalid }
func (odd) Open(uint64) (io.ReaderAt, error)       { return bytes.NewReader([]byte("text")), nil }

// A size beyond all bounds, which is one below nothing to some, gives no room to read more.
func TestTextOfAnySize(t *testing.T) {
	for size, ok := range map[int64]bool{-1: false, -1 << 62: false, 4: true, 5: false, textMost + 1: false} {
		v := &volume{tree: odd(size)}
		text, err := v.alone().text("/file")
		assert.Equal(t, ok, err == nil, "%d: %v", size, err)
		assert.Equal(t, ok, text == "text", size)
		assert.Positive(t, v.spent, size)
	}
}
