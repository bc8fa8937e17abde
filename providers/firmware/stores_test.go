package firmware

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

func planned(file string) facts.NewEntry {
	return facts.NewEntry{Label: "reel", File: file,
		Partition: facts.SystemPartition{Number: 1, ID: strings.ToLower(testID(1)), First: 2048, Sectors: 16384}}
}

// guestStore puts a variable store into a root of its own.
func guestStore(t *testing.T, content []byte) (Stores, func() facts.VariableStore) {
	root := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(root, "vars.fd"), content, 0o640))
	look := func() facts.VariableStore {
		return surveyed(OnHost(os.DirFS(root), ""), facts.Boot{Firmware: "uefi", NVRAM: "/vars.fd"}).Stores[0]
	}
	return Stores{Root: root, Keep: filepath.Join(root, "keep")}, look
}

func TestWriteAndRestoreEntry(t *testing.T) {
	content := makeStore(true, testVariable{"BootOrder", variableAdded, []byte{7, 0}},
		testVariable{"Boot0007", variableAdded, makeOption("other\x1b[2J", endNode(), "")})
	s, look := guestStore(t, content)
	before := look()
	assert.True(t, before.Raw)
	assert.Equal(t, []facts.BootEntry{{Number: 7, Label: "other?[2J", Active: true, Place: 1}}, before.Entries)

	entry := planned(`\EFI\own\start.efi`)
	assert.False(t, before.First(entry))
	require.NoError(t, s.PutEntry(t.Context(), "/vars.fd", before.SHA256, entry))
	after := look()
	assert.True(t, after.First(entry))
	assert.True(t, after.First(planned(`\efi\OWN\start.EFI`)), "FAT does not tell upper from lower case")
	assert.False(t, after.First(planned(`\EFI\other.efi`)))
	assert.Equal(t, facts.BootEntry{Number: 0, Label: "reel", Active: true, Place: 1, Short: true,
		Partition: entry.Partition.ID, File: entry.File}, after.Entries[0])
	about, err := os.Stat(filepath.Join(s.Root, "vars.fd"))
	require.NoError(t, err)
	assert.EqualValues(t, 0o640, about.Mode().Perm(), "the owner keeps his file")

	require.NoError(t, s.Restore(t.Context(), "/vars.fd", before.SHA256))
	restored, err := os.ReadFile(filepath.Join(s.Root, "vars.fd"))
	require.NoError(t, err)
	assert.Equal(t, content, restored, "byte for byte")
	assert.Equal(t, before, look())
}

// An entry of the system's own for the same program keeps its options.
func TestWrittenEntryIsTheSystemsOwn(t *testing.T) {
	entry := planned(`\EFI\own\start.efi`)
	path := hardDrivePath(entry.Partition, entry.File)
	s, look := guestStore(t, makeStore(true, testVariable{"BootOrder", variableAdded, []byte{7, 0, 3, 0}},
		testVariable{"Boot0007", variableAdded, makeOption("other", endNode(), "")},
		testVariable{"Boot0003", variableAdded, makeOption("system", path, "options")}))
	require.NoError(t, s.PutEntry(t.Context(), "/vars.fd", look().SHA256, entry))
	after := look()
	require.Len(t, after.Entries, 2)
	assert.Equal(t, "system", after.Tried()[0].Label)
	assert.True(t, after.First(entry))
}

func TestWriteEntryRefuses(t *testing.T) {
	s, look := guestStore(t, makeStore(true))
	sum, entry := look().SHA256, planned(`\EFI\own\start.efi`)
	require.ErrorContains(t, s.PutEntry(t.Context(), "/vars.fd", "another", entry), "it has changed")
	require.ErrorContains(t, s.PutEntry(t.Context(), "/absent.fd", sum, entry), "absent.fd")
	require.ErrorContains(t, s.PutEntry(t.Context(), "/vars.fd", sum, planned("start.efi")), "loader path")
	assert.Equal(t, sum, look().SHA256, "nothing was written")
	require.ErrorContains(t, s.Restore(t.Context(), "/vars.fd", sum), "no such file", "nothing was kept either")

	require.NoError(t, s.PutEntry(t.Context(), "/vars.fd", sum, entry))
	require.NoError(t, os.WriteFile(s.kept(sum), []byte("torn"), 0o600))
	require.ErrorContains(t, s.Restore(t.Context(), "/vars.fd", sum), "is damaged")

	require.NoError(t, os.Symlink("vars.fd", filepath.Join(s.Root, "link.fd")))
	require.ErrorContains(t, s.PutEntry(t.Context(), "/link.fd", look().SHA256, entry), "no regular file")
}

func TestSurveyOfOtherStores(t *testing.T) {
	_, look := guestStore(t, makeQcow2(makeStore(true)))
	assert.False(t, look().Raw, "it is read, and not written")
	assert.Empty(t, look().Unread)
	_, look = guestStore(t, makeStore(true, testVariable{"Boot0001", variableAdded, []byte{1}}))
	assert.Contains(t, look().Unread, "Boot0001")
	_, look = guestStore(t, []byte("no variables"))
	assert.NotEmpty(t, look().Unread)
}
