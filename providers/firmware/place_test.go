package firmware

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// donor puts a made firmware with an NVMe driver into a root of its own, with
// the folder for ROMs, and tells what a survey sees of it.
func donor(t *testing.T) (root string, rom facts.ROM, sum string) {
	t.Helper()
	root = t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(root, facts.ROMFolder), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(root, "donor.fd"), makeImage(t, makeInner(NVMe, FAT)), 0o644))
	image := surveyed(OnHost(os.DirFS(root), ""), facts.Boot{Firmware: "uefi", Loader: "/donor.fd"}).Firmware[0]
	require.Equal(t, facts.Present, image.NVMe)
	require.NotEmpty(t, image.Driver)
	return root, facts.ROMFor(facts.Identity{Controller: "reel", Vendor: 0x1b36, Device: 0x10}, image.Driver), image.SHA256
}

func TestPlaceROM(t *testing.T) {
	root, rom, sum := donor(t)
	f, ctx := Folder{root}, t.Context()
	require.NoError(t, f.PlaceAid(ctx, rom, "/donor.fd", sum))
	s := surveyed(OnHost(os.DirFS(root), ""))
	assert.Equal(t, []facts.PlacedROM{{ROM: rom}}, s.ROMs, "what was placed is what the survey sees")
	about, err := os.Stat(filepath.Join(root, rom.Path))
	require.NoError(t, err)
	assert.EqualValues(t, 0o644, about.Mode().Perm(), "QEMU's user reads it")
	require.NoError(t, f.PlaceAid(ctx, rom, "/donor.fd", sum), "once more changes nothing")
	require.NoError(t, f.RemoveAid(ctx, rom))
	require.NoError(t, f.RemoveAid(ctx, rom), "it is gone already")
	assert.Empty(t, surveyed(OnHost(os.DirFS(root), "")).ROMs)
}

func TestPlaceROMRefuses(t *testing.T) {
	root, rom, sum := donor(t)
	f, ctx := Folder{root}, t.Context()
	other := rom
	other.Driver = "another"
	elsewhere := rom
	elsewhere.Path = "/donor.fd"
	require.ErrorContains(t, f.PlaceAid(ctx, rom, "/donor.fd", "another"), "was exchanged")
	require.ErrorContains(t, f.PlaceAid(ctx, other, "/donor.fd", sum), "not the one that was planned")
	require.ErrorContains(t, f.PlaceAid(ctx, elsewhere, "/donor.fd", sum), "not in /usr/share/qemu")
	require.ErrorContains(t, f.PlaceAid(ctx, rom, "/absent.fd", sum), "absent.fd")
	require.ErrorContains(t, f.RemoveAid(ctx, facts.ROM{Path: "/donor.fd"}), "not in /usr/share/qemu")

	// What somebody else put there stays, whatever is asked.
	require.NoError(t, os.WriteFile(filepath.Join(root, rom.Path), []byte("mine"), 0o644))
	require.ErrorContains(t, f.PlaceAid(ctx, rom, "/donor.fd", sum), "left as it is")
	require.ErrorContains(t, f.RemoveAid(ctx, rom), "none")
	content, err := os.ReadFile(filepath.Join(root, rom.Path))
	require.NoError(t, err)
	assert.Equal(t, "mine", string(content))
	placed := surveyed(OnHost(os.DirFS(root), "")).ROMs
	require.Len(t, placed, 1)
	assert.NotEmpty(t, placed[0].Why)
}

// FuzzReadROM: what is read is what would be built again.
func FuzzReadROM(f *testing.F) {
	built, err := ROM{Driver: makeProgram(subsystemBoot, "driver"), Vendor: 0x1b36, Device: 0x10}.Build()
	require.NoError(f, err)
	f.Add(built)
	f.Add(built[:512])
	f.Fuzz(func(t *testing.T, content []byte) {
		rom, err := ReadROM(content)
		if err != nil {
			return
		}
		again, err := rom.Build()
		require.NoError(t, err)
		require.Equal(t, content, again)
	})
}
