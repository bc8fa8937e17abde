package firmware

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestInspectKeepsReports(t *testing.T) {
	image := makeImage(t, makeInner(NVMe))
	root := fstest.MapFS{"usr/share/OVMF/code.fd": {Data: image}}
	dir := filepath.Join(t.TempDir(), "not", "there", "yet")
	want := Read(image).Report()
	entry := filepath.Join(dir, want.SHA256+".json")

	report, err := Inspect(root, "/usr/share/OVMF/code.fd", dir)
	require.NoError(t, err)
	assert.Equal(t, want, report)

	// What the entry says is believed, so it is what answers now.
	content, err := os.ReadFile(entry)
	require.NoError(t, err)
	marked := strings.Replace(string(content), `"held":"absent"`, `"held":"unknown","why":"out of the cache"`, 1)
	require.NotEqual(t, string(content), marked)
	require.NoError(t, os.WriteFile(entry, []byte(marked), 0o644))
	report, err = Inspect(root, "usr/share/OVMF/code.fd", dir)
	require.NoError(t, err)
	assert.Equal(t, "out of the cache", report.Of(AHCI).Why)

	// Without a cache nothing of it counts.
	report, err = Inspect(root, "usr/share/OVMF/code.fd", "")
	require.NoError(t, err)
	assert.Equal(t, want, report)
}

func TestInspectIgnoresDamagedCache(t *testing.T) {
	image := makeImage(t, makeInner(NVMe))
	root := fstest.MapFS{"code.fd": {Data: image}}
	want := Read(image).Report()
	good, err := json.Marshal(cacheEntry{readerRevision, want})
	require.NoError(t, err)
	replace := func(old, with string) string {
		out := strings.Replace(string(good), old, with, 1)
		require.NotEqual(t, string(good), out)
		return out
	}
	for name, content := range map[string]string{
		"empty":             "",
		"cut off":           string(good[:len(good)/2]),
		"older reader":      replace(`"reader":3`, `"reader":2`),
		"another image":     replace(want.SHA256, strings.Repeat("0", 64)),
		"another size":      replace(`"bytes":`, `"bytes":1`),
		"unknown member":    replace(`"reader":3`, `"reader":3,"more":2`),
		"unknown answer":    replace(`"present"`, `"maybe"`),
		"answer is missing": replace(`{"part":"nvme","held":"present"},`, ``),
		"answer is renamed": replace(`"part":"nvme"`, `"part":"nvmf"`),
		"two entries":       string(good) + string(good),
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			entry := filepath.Join(dir, want.SHA256+".json")
			require.NoError(t, os.WriteFile(entry, []byte(content), 0o644))
			report, err := Inspect(root, "code.fd", dir)
			require.NoError(t, err)
			assert.Equal(t, want, report)
			repaired, err := os.ReadFile(entry)
			require.NoError(t, err)
			assert.Equal(t, string(good)+"\n", string(repaired))
		})
	}
	t.Run("cannot be written", func(t *testing.T) {
		blocked := filepath.Join(t.TempDir(), "file")
		require.NoError(t, os.WriteFile(blocked, nil, 0o644))
		report, err := Inspect(root, "code.fd", filepath.Join(blocked, "below"))
		require.NoError(t, err)
		assert.Equal(t, want, report)
	})
}

func TestOpen(t *testing.T) {
	root := fstest.MapFS{"folder/code.fd": {Data: makeImage(t, makeInner(NVMe))}}
	image, err := Open(root, "/folder/code.fd")
	require.NoError(t, err)
	_, err = image.Extract(NVMe.GUID)
	require.NoError(t, err)
	_, err = Open(root, "/folder")
	assert.ErrorContains(t, err, "not a file")
	_, err = Inspect(root, "/nowhere", "")
	assert.ErrorIs(t, err, os.ErrNotExist)
}
