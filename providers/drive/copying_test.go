package drive

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/drive/image"
	"lendkeep/reconcile/facts"
)

// rawImage makes a raw image of a sparse disk with something at both ends, and
// gives it as it is when it is looked at.
func rawImage(t *testing.T, size int64) (facts.Source, []byte) {
	path := filepath.Join(t.TempDir(), "grading.img")
	content := make([]byte, size)
	copy(content, bytes.Repeat([]byte("table"), 2000))
	copy(content[size-8192:], bytes.Repeat([]byte("end"), 2000))
	require.NoError(t, os.WriteFile(path, content, 0o600))
	return seen(t, path), content
}

func seen(t *testing.T, path string) facts.Source {
	i, err := image.Open(path, image.OpenFile)
	require.NoError(t, err)
	defer i.Close()
	return facts.Source{Path: path, Format: i.Format(), SizeBytes: i.SizeBytes(), Stamp: i.Stamp()}
}

func TestCopyToADrive(t *testing.T) {
	ds, d, node := loop(t, 16<<20, 512)
	from, want := rawImage(t, 9<<20)
	var last uint64
	ds.Watch = func(_ string, done, _ uint64) { last = done }
	require.NoError(t, ds.Copy(t.Context(), from, d, "abc-3"))
	got, err := os.ReadFile(node)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(want, got[:len(want)]))
	assert.Equal(t, from.SizeBytes, last)
	left, err := os.ReadDir(ds.Folder)
	require.NoError(t, err)
	assert.Empty(t, left)
}

func TestCopyLeavesItsMark(t *testing.T) {
	ds, d, node := loop(t, 16<<20, 512)
	from, _ := rawImage(t, 9<<20)
	ds.Watch = func(string, uint64, uint64) { // the image is written meanwhile
		_ = os.Chtimes(from.Path, time.Time{}, time.Now())
	}
	assert.ErrorContains(t, ds.Copy(t.Context(), from, d, "abc-3"), "was written while it was copied")
	got, err := os.ReadFile(node)
	require.NoError(t, err)
	assert.Equal(t, facts.UnfinishedMark+"abc-3\n", string(got[:len(facts.UnfinishedMark)+6]))
	assert.FileExists(t, filepath.Join(ds.Folder, "abc-3.copy"))
	ds.Watch = nil
	require.NoError(t, ds.Copy(t.Context(), seen(t, from.Path), d, "abc-3"))
}

func TestCopyRefuses(t *testing.T) {
	ds, d, node := loop(t, 16<<20, 512)
	from, _ := rawImage(t, 9<<20)
	for name, c := range map[string]struct {
		change func(from *facts.Source, d *facts.Drive)
		says   string
	}{
		"written since":  {func(f *facts.Source, _ *facts.Drive) { f.Stamp = "old" }, "written since it was looked at"},
		"another format": {func(f *facts.Source, _ *facts.Drive) { f.Format = "qcow2" }, "it is raw, not qcow2"},
		"another size":   {func(f *facts.Source, _ *facts.Drive) { f.SizeBytes++ }, "not 9437185"},
		"small drive":    {func(_ *facts.Source, d *facts.Drive) { d.SizeBytes = 8 << 20 }, "has only 8388608"},
		"other sectors":  {func(_ *facts.Source, d *facts.Drive) { d.SectorBytes = 4096 }, "has sectors of 4096"},
		"not there":      {func(f *facts.Source, _ *facts.Drive) { f.Path += "x" }, "no such file"},
	} {
		t.Run(name, func(t *testing.T) {
			from, d := from, d
			c.change(&from, &d)
			assert.ErrorContains(t, ds.Copy(t.Context(), from, d, "abc-3"), c.says)
		})
	}
	writer, err := os.OpenFile(from.Path, os.O_WRONLY, 0)
	require.NoError(t, err)
	err = ds.Copy(t.Context(), from, d, "abc-3")
	assert.ErrorContains(t, err, from.Path+" is written by drive.test (pid ")
	require.NoError(t, writer.Close())
	got, err := os.ReadFile(node)
	require.NoError(t, err)
	assert.Equal(t, make([]byte, 16<<20), got, "nothing was written")
}
