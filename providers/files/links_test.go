package files

import (
	"io/fs"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
)

func TestResolve(t *testing.T) {
	link := func(to string) *fstest.MapFile { return &fstest.MapFile{Mode: fs.ModeSymlink, Data: []byte(to)} }
	tree := fstest.MapFS{"a/file": {}, "b": link("a"), "c": link("/b/../b"), "loop": link("loop"), "out": link("../../../a"), "dangling": link("/gone/on")}
	for name, test := range map[string]struct {
		real string
		err  error
	}{
		"a/file":         {"a/file", nil},
		"b/file":         {"a/file", nil},
		"c/file":         {"a/file", nil},
		"out/file":       {"a/file", nil},
		"c/../b/./file":  {"a/file", nil},
		"b/none/at/all":  {"a/none/at/all", fs.ErrNotExist},
		"dangling/x":     {"gone/on/x", fs.ErrNotExist},
		"gone/../../../": {".", fs.ErrNotExist},
		"loop":           {"loop", ErrTooManyLinks},
	} {
		real, err := Resolve(tree, name)
		assert.Equal(t, test.real, real, name)
		assert.ErrorIs(t, err, test.err, name)
	}
}
