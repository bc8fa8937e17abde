package firmware

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// shimDonor puts a made firmware with Shell and NVMe driver into a root of its
// own, with the folder for shim disks, and tells what a survey sees of it.
func shimDonor(t *testing.T) (root string, shim facts.Shim, sum string) {
	t.Helper()
	root = t.TempDir()
	require.NoError(t, os.Chmod(root, 0o755))
	require.NoError(t, os.MkdirAll(filepath.Join(root, facts.ShimFolder), 0o711))
	shell := makeFile(Shell.GUID, 0x09, makeSection(sectionPE32, makeProgram(subsystemApp, "shell")))
	core := makeFile(coreName, fileTypeDXECore, makeSection(sectionPE32, makeProgram(subsystemBoot, "core")))
	inner := makeSection(sectionVolume, makeVolume(formatFFS3, core, makeDriver(NVMe), shell))
	require.NoError(t, os.WriteFile(filepath.Join(root, "donor.fd"), makeImage(t, inner), 0o644))
	image := surveyed(OnHost(os.DirFS(root), ""), facts.Boot{Firmware: "uefi", Loader: "/donor.fd"}).Firmware[0]
	require.NotEmpty(t, image.Driver)
	require.NotEmpty(t, image.ShellSum)
	return root, facts.ShimFor("reel", facts.Shim{Driver: image.Driver, Shell: image.ShellSum}), image.SHA256
}

func TestPlaceShim(t *testing.T) {
	root, plain, sum := shimDonor(t)
	wanted, loader := plain, plain
	wanted.From = facts.SystemPartition{Number: 1, ID: "4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11", First: 2048, Sectors: 16384}
	loader.Loader = `\EFI\own path\start.efi`
	f, ctx := Folder{root}, t.Context()
	paths := map[string]bool{}
	for _, shim := range []facts.Shim{plain, facts.ShimFor("reel", wanted), facts.ShimFor("reel", loader)} {
		paths[shim.Path] = true
		require.NoError(t, f.PlaceAid(ctx, shim, "/donor.fd", sum))
		h := OnHost(os.DirFS(root), "")
		for range 2 { // read, then remembered
			s := surveyed(h)
			assert.Empty(t, s.ShimGap)
			assert.Equal(t, []facts.PlacedShim{{Shim: shim}}, s.Shims, "what was placed is what the survey sees")
		}
		about, err := os.Stat(filepath.Join(root, shim.Path))
		require.NoError(t, err)
		assert.EqualValues(t, 0o644, about.Mode().Perm(), "QEMU's user reads it")
		require.NoError(t, f.PlaceAid(ctx, shim, "/donor.fd", sum), "once more changes nothing")
		require.NoError(t, f.RemoveAid(ctx, shim))
		require.NoError(t, f.RemoveAid(ctx, shim), "it is gone already")
		assert.Empty(t, surveyed(h).Shims)
	}
	assert.Len(t, paths, 3, "another content has another name")
}

func TestPlaceShimRefuses(t *testing.T) {
	root, shim, sum := shimDonor(t)
	f, ctx := Folder{root}, t.Context()
	other := shim
	other.Shell = "another"
	elsewhere := shim
	elsewhere.Path = "/donor.fd"
	unnamed := shim
	unnamed.From.ID = "first"
	require.ErrorContains(t, f.PlaceAid(ctx, shim, "/donor.fd", "another"), "was exchanged")
	require.ErrorContains(t, f.PlaceAid(ctx, other, "/donor.fd", sum), "not those that were planned")
	require.ErrorContains(t, f.PlaceAid(ctx, elsewhere, "/donor.fd", sum), "not in /var/lib/libvirt/images")
	require.ErrorContains(t, f.PlaceAid(ctx, unnamed, "/donor.fd", sum), "first")
	require.ErrorContains(t, f.RemoveAid(ctx, facts.Shim{Path: "/donor.fd"}), "not in /var/lib/libvirt/images")

	// What somebody else put there stays, and so does a disk that was written to.
	require.NoError(t, f.PlaceAid(ctx, shim, "/donor.fd", sum))
	name := filepath.Join(root, shim.Path)
	content, err := os.ReadFile(name)
	require.NoError(t, err)
	content[len(content)/2] ^= 1
	require.NoError(t, os.WriteFile(name, content, 0o644))
	require.ErrorContains(t, f.PlaceAid(ctx, shim, "/donor.fd", sum), "left as it is")
	require.ErrorContains(t, f.RemoveAid(ctx, shim), errShimChange.Error())
	placed := surveyed(OnHost(os.DirFS(root), "")).Shims
	require.Len(t, placed, 1)
	assert.Equal(t, facts.PlacedShim{Shim: facts.Shim{Path: shim.Path}, Why: "read shim disk: " + errShimChange.Error()}, placed[0])
}

// Of an operator's own disks only those count that an order could have built.
func TestSurveyOfForeignShims(t *testing.T) {
	off := smallShim()
	off.Ending = PowerOff
	few := smallShim()
	few.Loaders = []string{`\a.efi`}
	for name, shim := range map[string]Shim{"powers off": off, "other loaders": few} {
		content := mustBuild(t, shim.Build)
		again, err := ReadShim(content)
		require.NoError(t, err)
		assert.Equal(t, shim, again, name)
		root := fstest.MapFS{"var/lib/libvirt/images/lendkeep-own.img": {Data: content}, "var/lib/libvirt/images/other.img": {}}
		s := surveyed(OnHost(root, ""))
		require.Len(t, s.Shims, 1)
		assert.Contains(t, s.Shims[0].Why, name)
	}
}

func TestFolderThatQEMUCannotPass(t *testing.T) {
	root := fstest.MapFS{
		"var":                       {Mode: fs.ModeDir | 0o755},
		"var/lib":                   {Mode: fs.ModeDir | 0o755},
		"var/lib/libvirt":           {Mode: fs.ModeDir | 0o750},
		"var/lib/libvirt/images":    {Mode: fs.ModeDir | 0o711},
		"var/lib/libvirt/images/it": {Data: []byte("x")},
	}
	assert.Contains(t, surveyed(OnHost(root, "")).ShimGap, "pass /var/lib/libvirt (mode -rwxr-x---)")
	root["var/lib/libvirt"].Mode = fs.ModeDir | 0o755
	assert.Empty(t, surveyed(OnHost(root, "")).ShimGap)
	assert.Contains(t, surveyed(OnHost(fstest.MapFS{}, "")).ShimGap, "not exist")
}

// FuzzReadShim: what is read is what would be built again.
func FuzzReadShim(f *testing.F) {
	built, err := smallShim().Build()
	require.NoError(f, err)
	f.Add(uint32(0), []byte{})
	f.Add(uint32(shimFirst*shimSector), []byte{0, 1, 2, 3})
	f.Add(uint32(shimFirst*shimSector+14), []byte{255, 255})
	f.Fuzz(func(t *testing.T, at uint32, change []byte) {
		content := append([]byte(nil), built...)
		if int(at) < len(content) {
			copy(content[at:], change)
		}
		shim, err := ReadShim(content)
		if err != nil {
			return
		}
		again, err := shim.Build()
		require.NoError(t, err)
		require.Equal(t, sha(content), sha(again))
	})
}
