package main

import (
	"archive/tar"
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/wire"
)

func TestCapture(t *testing.T) {
	tree := t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(tree, "0000:01:00.0"), 0o755))
	for name, content := range map[string]string{"vendor": "0x1b36\n", "config": "\x36\x1b\x00", "remove": "", "resource0": "x", "reset_method": "flr\n"} {
		require.NoError(t, os.WriteFile(filepath.Join(tree, "0000:01:00.0", name), []byte(content), 0o644))
	}
	require.NoError(t, os.Symlink("0000:01:00.0", filepath.Join(tree, "link")))

	client := connect(t)
	var packed []byte
	// What /proc/self/mem answers at offset 0 is an error on every kernel.
	roots := []string{tree, "/proc/version", "/no/such", "/proc/self/mem"}
	require.NoError(t, client.Call(wire.Service+".Capture", wire.Trees{Roots: roots}, &packed))
	found := map[string]string{}
	for archive := tar.NewReader(bytes.NewReader(packed)); ; {
		header, err := archive.Next()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		content, err := io.ReadAll(archive)
		require.NoError(t, err)
		name := strings.TrimPrefix(header.Name, strings.TrimPrefix(tree, "/")+"/")
		found[name] = string(content) + header.Linkname
	}
	assert.Equal(t, "0x1b36\n", found["0000:01:00.0/vendor"])
	assert.Equal(t, "\x36\x1b\x00", found["0000:01:00.0/config"])
	assert.Equal(t, "flr\n", found["0000:01:00.0/reset_method"])
	assert.Equal(t, "0000:01:00.0", found["link"])
	assert.Contains(t, found["proc/version"], "Linux")
	assert.NotContains(t, found, "0000:01:00.0/remove")
	assert.NotContains(t, found, "0000:01:00.0/resource0")
	assert.Contains(t, found[wire.Unreadable], "/proc/self/mem\t")
	assert.NotContains(t, found[wire.Unreadable], "/no/such")
}
