package firmware

import (
	"bytes"
	"debug/pe"
	"encoding/binary"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/arch/x86/x86asm"
)

// The starter is written byte by byte, so a disassembler checks that the bytes
// of each line are the instruction that the line shows, and that they lead
// where the line says.
func TestStarterCode(t *testing.T) {
	_, labels := starterData()
	at := starterCodeAt
	for _, i := range starterCode {
		if i.label != "" {
			labels[i.label] = at
		}
		at += len(i.code) + distanceSize(i)
	}
	file, err := pe.NewFile(bytes.NewReader(starter()))
	require.NoError(t, err)
	code, err := file.Section(".text").Data()
	require.NoError(t, err)
	at = 0
	for _, i := range starterCode {
		inst, err := x86asm.Decode(code[at:], 64)
		require.NoError(t, err, i.text)
		require.Equal(t, len(i.code)+distanceSize(i), inst.Len, i.text)
		text := x86asm.IntelSyntax(inst, 0, nil)
		if i.to == "" {
			assert.Equal(t, i.text, text)
		} else {
			assert.True(t, strings.HasPrefix(text, strings.TrimSuffix(i.text, "]")), "%s is not %s", text, i.text)
			assert.Equal(t, labels[i.to], target(inst, starterCodeAt+at+inst.Len), "%s leads to %s", text, i.to)
		}
		at += inst.Len
	}
}

// target is where an instruction that ends at an address jumps or points.
func target(inst x86asm.Inst, end int) int {
	for _, arg := range inst.Args {
		switch arg := arg.(type) {
		case x86asm.Rel:
			return end + int(arg)
		case x86asm.Mem:
			if arg.Base == x86asm.RIP {
				return end + int(arg.Disp)
			}
		}
	}
	return 0
}

func TestStarterProgram(t *testing.T) {
	b := starter()
	assert.Equal(t, b, starter())
	require.NoError(t, needProgram(b, subsystemApp, "starter"))
	file, err := pe.NewFile(bytes.NewReader(b))
	require.NoError(t, err)
	header := file.OptionalHeader.(*pe.OptionalHeader64)
	assert.EqualValues(t, starterCodeAt, header.AddressOfEntryPoint)
	for _, s := range file.Sections {
		assert.Zero(t, s.VirtualAddress%header.SectionAlignment)
		assert.LessOrEqual(t, s.VirtualAddress+s.VirtualSize, header.SizeOfImage)
		writable, executable := s.Characteristics&pe.IMAGE_SCN_MEM_WRITE != 0, s.Characteristics&pe.IMAGE_SCN_MEM_EXECUTE != 0
		assert.NotEqual(t, writable, executable, "%s must not be both writable and executable", s.Name)
	}
	data, err := file.Section(".data").Data()
	require.NoError(t, err)
	assert.True(t, bytes.Contains(data, utf16Text(shellOptions)))
	nodes, err := readDevicePath(data[bytes.Index(data, filePathNode(shellPath)):])
	require.NoError(t, err)
	assert.Equal(t, shellPath, nodes.file())
}

// Options must fit the 32 bit length that the Shell reads, and a node its 16.
func TestFilePathNode(t *testing.T) {
	node := filePathNode(`\EFI`)
	assert.Equal(t, []byte{4, 4}, node[:2])
	assert.EqualValues(t, len(node), binary.LittleEndian.Uint16(node[2:]))
}
