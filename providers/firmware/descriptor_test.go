package firmware

import (
	"os"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// As Debian's package ovmf ships them, shortened.
const (
	secureDescriptor = `{"description": "UEFI with Secure Boot", "interface-types": ["uefi"],
 "mapping": {"device": "flash",
  "executable": {"filename": "/usr/share/OVMF/OVMF_CODE_4M.ms.fd", "format": "raw"},
  "nvram-template": {"filename": "/usr/share/OVMF/OVMF_VARS_4M.ms.fd", "format": "raw"}},
 "targets": [{"architecture": "x86_64", "machines": ["pc-q35-*"]}],
 "features": ["enrolled-keys", "requires-smm", "secure-boot"], "tags": [], "later": {"member": 1}}`
	memoryDescriptor = `{"description": "BIOS", "interface-types": ["bios"],
 "mapping": {"device": "memory", "filename": "/usr/share/seabios/bios.bin"},
 "targets": [{"architecture": "i386", "machines": ["pc"]}, {"architecture": "x86_64", "machines": ["pc-i440fx-*", "pc-q35-*"]}],
 "features": [], "tags": []}`
)

func TestDescriptors(t *testing.T) {
	file := func(text string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(text)} }
	root := fstest.MapFS{
		"usr/share/qemu/firmware/60-secure.json": file(secureDescriptor),
		"usr/share/qemu/firmware/50-hidden.json": file(secureDescriptor),
		"usr/share/qemu/firmware/40-own.json":    file(secureDescriptor),
		"usr/share/qemu/firmware/README":         file("not one"),
		"etc/qemu/firmware/40-own.json":          file(memoryDescriptor),
		"etc/qemu/firmware/50-hidden.json":       file(""),
	}
	list, err := Descriptors(root)
	require.NoError(t, err)
	require.Len(t, list, 2)

	own, secure := list[0], list[1]
	assert.Equal(t, "etc/qemu/firmware/40-own.json", own.File)
	assert.Equal(t, "/usr/share/seabios/bios.bin", own.Image())
	assert.False(t, own.UEFI())
	assert.True(t, own.Fits("i386", "pc"))
	assert.True(t, own.Fits("x86_64", "pc-i440fx-7.2"))
	assert.False(t, own.Fits("i386", "pc-q35-7.2"))

	assert.Equal(t, "/usr/share/OVMF/OVMF_CODE_4M.ms.fd", secure.Image())
	assert.Equal(t, "/usr/share/OVMF/OVMF_VARS_4M.ms.fd", secure.Mapping.NVRAMTemplate.Filename)
	assert.True(t, secure.UEFI())
	assert.True(t, secure.Has("secure-boot"))
	assert.False(t, secure.Has("acpi-s3"))
	assert.True(t, secure.Fits("x86_64", "pc-q35-7.2"))
	assert.False(t, secure.Fits("x86_64", "pc-i440fx-7.2"))
	assert.False(t, secure.Fits("aarch64", "pc-q35-7.2"))

	root["etc/qemu/firmware/70-broken.json"] = file("{")
	list, err = Descriptors(root)
	assert.ErrorContains(t, err, "etc/qemu/firmware/70-broken.json")
	assert.Len(t, list, 2, "the others are still read")

	root["etc/qemu/firmware/70-broken.json"] = &fstest.MapFile{Data: make([]byte, descriptorMost+1)}
	_, err = Descriptors(root)
	assert.ErrorContains(t, err, "1048577 bytes")

	list, err = Descriptors(fstest.MapFS{})
	assert.NoError(t, err, "no descriptors are no error")
	assert.Empty(t, list)
}

func TestDescriptorsOfDebian(t *testing.T) {
	outsideFile(t, "/usr/share/qemu/firmware/60-edk2-x86_64.json", "ovmf")
	list, err := Descriptors(os.DirFS("/"))
	require.NoError(t, err)
	for _, d := range list {
		if d.File == "usr/share/qemu/firmware/60-edk2-x86_64.json" {
			assert.Equal(t, ovmfCode, d.Image())
			assert.True(t, d.UEFI() && d.Fits("x86_64", "pc-q35-7.2") && !d.Has("secure-boot"))
			return
		}
	}
	assert.Fail(t, "Debian's descriptor was not listed")
}
