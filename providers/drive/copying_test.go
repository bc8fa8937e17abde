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
	i, err := image.Open(path, "raw", image.OpenFile)
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
		"another format": {func(f *facts.Source, _ *facts.Drive) { f.Format = "qcow2" }, "no qcow2 header"},
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

// A raw image is what its guest has written, and a guest can write a header
// that names any file of the host.
func TestRawImageThatLooksLikeAnother(t *testing.T) {
	needs(t, "qemu-img")
	folder := t.TempDir()
	secret, path := filepath.Join(folder, "secret"), filepath.Join(folder, "grading.img")
	require.NoError(t, os.WriteFile(secret, bytes.Repeat([]byte("secret! "), 1<<17), 0o600))
	invoke(t, "qemu-img", "create", "-q", "-f", "qcow2", "-b", secret, "-F", "raw", path)
	require.NoError(t, os.Truncate(path, 9<<20))
	want, err := os.ReadFile(path)
	require.NoError(t, err)

	ds, d, node := loop(t, 16<<20, 512)
	require.NoError(t, ds.Copy(t.Context(), seen(t, path), d, "abc-3"))
	got, err := os.ReadFile(node)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(want, got[:len(want)]), "its bytes, as its guest has them")
	assert.False(t, bytes.Contains(got, []byte("secret! secret!")))
}

// Nothing is opened that the order does not name.
func TestChainThatTheOrderDoesNotName(t *testing.T) {
	needs(t, "qemu-img")
	folder := t.TempDir()
	base, path := filepath.Join(folder, "base"), filepath.Join(folder, "grading.qcow2")
	require.NoError(t, os.WriteFile(base, make([]byte, 1<<20), 0o600))
	invoke(t, "qemu-img", "create", "-q", "-f", "qcow2", "-b", base, "-F", "raw", path)
	s := &facts.Survey{}
	Contents{}.Survey(t.Context(), s, nil, []facts.StatedImage{{Path: path, Format: "qcow2"}})
	image := s.Contents[0]
	require.Empty(t, image.Gaps)
	require.Len(t, image.Behind, 1)
	assert.Equal(t, []string{base, "raw"}, []string{image.Behind[0].Path, image.Behind[0].Format})
	from := facts.Source{Path: path, Format: "qcow2", SizeBytes: image.SizeBytes, Stamp: image.Stamp, Behind: image.Behind}

	ds, d, _ := loop(t, 16<<20, 512)
	alone := from
	alone.Behind = nil
	assert.ErrorContains(t, ds.Copy(t.Context(), alone, d, "abc-3"), base+" is now behind it, which the order does not name")
	other := from
	other.Behind = []facts.ImageFile{image.Behind[0]}
	other.Behind[0].SizeBytes++
	assert.ErrorContains(t, ds.Copy(t.Context(), other, d, "abc-3"), "what it is based on is not what it was")
	require.NoError(t, ds.Copy(t.Context(), from, d, "abc-3"))
}
