package probe

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// blkidSays puts a script in blkid's place, and asks it.
func blkidSays(t *testing.T, script string) (Answer, error) {
	t.Helper()
	folder := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(folder, "blkid"), []byte("#!/bin/sh\n"+script+"\n"), 0o700))
	t.Setenv("PATH", folder+":"+os.Getenv("PATH"))
	file, err := os.Open("/dev/null")
	require.NoError(t, err)
	defer file.Close()
	return Blkid(t.Context(), file, 0, 512)
}

func TestWhatBlkidSays(t *testing.T) {
	for name, c := range map[string]struct{ script, err string }{
		"nothing":        {"exit 2", ""},
		"unreadable":     {"echo cannot read >&2; exit 2", "cannot read"},
		"several":        {"exit 8", "several things"},
		"too much":       {"head -c 70000 /dev/zero", "more than 65536 bytes"},
		"a failure":      {"exit 4", "ended with 4"},
		"killed":         {"kill -9 $$", "killed"},
		"an endless tag": {"printf TYPE=; head -c 100 /dev/zero | tr '\\0' x", "its TYPE has 100 bytes"},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := blkidSays(t, c.script)
			assert.Equal(t, Answer{}, got)
			if c.err == "" {
				assert.NoError(t, err)
				return
			}
			assert.ErrorContains(t, err, c.err)
		})
	}
}
