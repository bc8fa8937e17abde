package parts_test

import (
	"bytes"
	"debug/pe"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/parts"
	"lendkeep/testdata/outside"
)

// The stand-in is an application as Go's reader of PE files and objdump have it.
func TestStandInIsAnApplication(t *testing.T) {
	content := parts.StandIns()["/var/lib/stand-in.efi"]
	file, err := pe.NewFile(bytes.NewReader(content))
	require.NoError(t, err)
	assert.Equal(t, uint16(pe.IMAGE_FILE_MACHINE_AMD64), file.Machine)
	header, is64 := file.OptionalHeader.(*pe.OptionalHeader64)
	require.True(t, is64)
	assert.Equal(t, uint16(pe.IMAGE_SUBSYSTEM_EFI_APPLICATION), header.Subsystem)
	require.Len(t, file.Sections, 1)
	text := file.Sections[0]
	assert.Equal(t, header.AddressOfEntryPoint, text.VirtualAddress)
	assert.LessOrEqual(t, text.VirtualAddress+text.VirtualSize, header.SizeOfImage)
	assert.LessOrEqual(t, text.Offset+text.Size, uint32(len(content)))

	program, err := exec.LookPath("objdump")
	if err != nil {
		outside.Missing(t, "objdump (Debian: binutils) is not here")
	}
	name := filepath.Join(t.TempDir(), "stand-in.efi")
	require.NoError(t, os.WriteFile(name, content, 0o600))
	said, err := exec.Command(program, "-d", name).CombinedOutput()
	require.NoError(t, err, "%s", said)
	var last int
	for _, instruction := range []string{"hlt", "mov    $0x600,%dx", "in     (%dx),%ax", "test   $0x1,%ah", "mov    $0x604,%dx", "out    %ax,(%dx)"} {
		at := strings.LastIndex(string(said), instruction)
		assert.Greater(t, at, last, "%s in %s", instruction, said)
		last = at
	}
}

// The boot sector leaves the partition table alone that stands behind it.
func TestStandInSectorFits(t *testing.T) {
	assert.LessOrEqual(t, len(parts.StandIns()["/var/lib/stand-in.sector"]), 440)
}
