package linux_test

import (
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/drive/linux"
	"lendkeep/reconcile/facts"
)

// counting counts what is read.
type counting struct {
	*os.File
	bytes, reads atomic.Int64
}

func (c *counting) ReadAt(p []byte, at int64) (int, error) {
	c.bytes.Add(int64(len(p)))
	c.reads.Add(1)
	return c.File.ReadAt(p, at)
}

// Looking into 100 GiB reads little more than what it looks at.
func TestReadsLittle(t *testing.T) {
	image := filepath.Join(t.TempDir(), "disk")
	const gib = 1 << 30
	require.NoError(t, os.WriteFile(image, nil, 0o644))
	require.NoError(t, os.Truncate(image, 100*gib+2*mib))
	piped(t, nil, "", "sgdisk", "-n", "1:1M:+100G", image)
	piped(t, nil, "", "mke2fs", "-q", "-F", "-t", "ext4", "-U", rootID, "-E", "offset=1048576,lazy_itable_init=1,lazy_journal_init=1", "-J", "size=4", "-d", debian(t).write(t), image, "100G")
	file, err := os.Open(image)
	require.NoError(t, err)
	defer file.Close()
	c := content.Read(file, image, 100*gib+2*mib, 512, true)
	counted := &counting{File: file}
	i := linux.Look(t.Context(), counted, &c)
	require.NotNil(t, i)
	assert.Equal(t, facts.Present, i.Answer(facts.AsksDriver).Says, i.Answer(facts.AsksDriver).Seen)
	assert.Less(t, counted.bytes.Load(), int64(4*mib))
	assert.Less(t, counted.reads.Load(), int64(64))
}
