package firmware

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"lendkeep/reconcile/facts"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// smallShim needs nothing from outside.
func smallShim() Shim {
	return Shim{Shell: makeProgram(subsystemApp, "shell"), Driver: makeProgram(subsystemBoot, "driver")}
}

func TestShimDisk(t *testing.T) {
	shim := smallShim()
	disk, err := shim.Build()
	require.NoError(t, err)
	assert.Len(t, disk, 6<<20)
	list := readDisk(t, disk)
	require.Len(t, list, 1)
	assert.NoError(t, list[0].Gap)
	assert.Equal(t, facts.SystemPartition{Number: 1, ID: strings.ToLower(shimPartID), First: shimFirst, Sectors: shimLast - shimFirst + 1}, list[0].Partition)
	assert.Contains(t, list[0].Loaders, `\EFI\BOOT\BOOTX64.EFI`)
	assert.Contains(t, list[0].Loaders, shellPath)
}

// The library takes the present time from this variable; a disk must not
// depend on when it is built.
func TestShimDiskIsReproducible(t *testing.T) {
	build := func(shim Shim, epoch string) string {
		t.Setenv("SOURCE_DATE_EPOCH", epoch)
		disk, err := shim.Build()
		require.NoError(t, err)
		return sha(disk)
	}
	first := build(smallShim(), "1700000000")
	assert.Equal(t, first, build(smallShim(), "1600000002"))
	other := smallShim()
	other.Ending = PowerOff
	assert.NotEqual(t, first, build(other, "1700000000"))
}

func TestShimTagNamesTheContent(t *testing.T) {
	tag := func(shim Shim) string {
		files, err := shim.files()
		require.NoError(t, err)
		for _, f := range files {
			if dir, name, ok := strings.Cut(f.path, "/"); ok && dir == shimFolder && !strings.Contains(name, ".") {
				return name
			}
		}
		return ""
	}
	other := smallShim()
	other.Driver = makeProgram(subsystemBoot, "another")
	assert.Regexp(t, "^[0-9A-F]{8}$", tag(smallShim()))
	assert.NotEqual(t, tag(smallShim()), tag(other))
}

func TestShimRefuses(t *testing.T) {
	shim := smallShim()
	shim.Shell = shim.Driver
	_, err := shim.Build()
	assert.ErrorContains(t, err, "build shim disk: shell: subsystem 11 instead of 10")
	shim = smallShim()
	shim.Driver = nil
	_, err = shim.Build()
	assert.ErrorContains(t, err, "driver: no MZ header")
	shim = smallShim()
	shim.Shell = append(shim.Shell, make([]byte, shimContent)...)
	_, err = shim.Build()
	assert.ErrorContains(t, err, "bytes of content where")
	for _, path := range []string{"", `EFI\A.EFI`, `\`, `\EFI\`, `\A"B.EFI`, `\%lkown%.EFI`, `\EFI\*.EFI`, "\\A\r\nreset", `\A^B.EFI`, `\Ä.EFI`} {
		shim = smallShim()
		shim.Loaders = []string{path}
		_, err = shim.Build()
		assert.ErrorContains(t, err, "loader path", path)
	}
}

func TestShimFromDonor(t *testing.T) {
	_, err := ShimFrom(Read(makeImage(t, makeInner(Shell))))
	assert.ErrorContains(t, err, "take the NVMe driver from the donor")
	_, err = ShimFrom(Read(makeImage(t, makeInner(NVMe))))
	assert.ErrorContains(t, err, "take the UEFI Shell from the donor")
}

func TestShimScript(t *testing.T) {
	shim := smallShim()
	text, err := shim.script("12345678")
	require.NoError(t, err)
	assert.NotContains(t, strings.ReplaceAll(text, "\r\n", ""), "\n", "lines end as the Shell writes them")
	assert.NotContains(t, text, "HD(")
	assert.NotContains(t, text, "reset -s\r\n")
	assert.Contains(t, text, `if exist "%c\EFI\BOOT\BOOTX64.EFI" then`)
	assert.Contains(t, text, `if exist "%c\EFI\Microsoft\Boot\bootmgfw.efi" then`)
	for _, word := range []string{"for", "if"} {
		var open, closed int
		for _, line := range strings.Split(text, "\r\n") {
			switch first, _, _ := strings.Cut(strings.TrimSpace(line), " "); first {
			case word:
				open++
			case "end" + word:
				closed++
			}
		}
		assert.Equal(t, open, closed, word)
	}
	shim.Wanted = &facts.SystemPartition{Number: 2, ID: "4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11", First: 2048, Sectors: 204800}
	shim.Loaders = []string{`\EFI\debian\shimx64.efi`}
	shim.Ending = PowerOff
	text, err = shim.script("12345678")
	require.NoError(t, err)
	assert.Contains(t, text, "%lkpath%/HD(2,GPT,4F1C0C52-9A0E-4C6E-8F0A-5C1F2F0E7A11,0x800,0x32000)")
	assert.Contains(t, text, "reset -s\r\n")
	assert.NotContains(t, text, "BOOTX64")
}

// Published tools find nothing wrong with the disk: gdisk's own check of the
// partition table, and dosfstools' of the filesystem.
func TestShimDiskForOtherTools(t *testing.T) {
	disk, err := smallShim().Build()
	require.NoError(t, err)
	dir := t.TempDir()
	write := func(name string, b []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, b, 0o644))
		return path
	}
	t.Run("sgdisk", func(t *testing.T) {
		out, err := exec.Command(outsideProgram(t, "sgdisk", "gdisk"), "-v", write("disk", disk)).CombinedOutput()
		require.NoError(t, err, string(out))
		assert.Contains(t, string(out), "No problems found")
	})
	t.Run("fsck.fat", func(t *testing.T) {
		esp := disk[shimFirst*shimSector : (shimLast+1)*shimSector]
		out, err := exec.Command(outsideProgram(t, "fsck.fat", "dosfstools"), "-n", write("esp", esp)).CombinedOutput()
		require.NoError(t, err, string(out))
	})
}
