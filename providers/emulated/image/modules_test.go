package image

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/cavaliergopher/cpio"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Lines of Debian's linux-image-6.1.0-56-amd64 after depmod.
const dep = `kernel/drivers/nvme/host/nvme-core.ko: kernel/block/t10-pi.ko kernel/lib/crc64-rocksoft.ko kernel/lib/crc64.ko
kernel/drivers/nvme/host/nvme.ko: kernel/drivers/nvme/host/nvme-core.ko kernel/block/t10-pi.ko kernel/lib/crc64-rocksoft.ko kernel/lib/crc64.ko
kernel/block/t10-pi.ko: kernel/lib/crc64-rocksoft.ko kernel/lib/crc64.ko
kernel/lib/crc64-rocksoft.ko: kernel/lib/crc64.ko
kernel/lib/crc64.ko:
kernel/crypto/crc32c_generic.ko:
`

func TestLoadOrder(t *testing.T) {
	order, err := loadOrder(dep, []string{"nvme_core", "nvme", "crc32c_generic"})
	require.NoError(t, err)
	assert.Equal(t, []string{
		"kernel/lib/crc64.ko", "kernel/lib/crc64-rocksoft.ko", "kernel/block/t10-pi.ko",
		"kernel/drivers/nvme/host/nvme-core.ko", "kernel/drivers/nvme/host/nvme.ko", "kernel/crypto/crc32c_generic.ko",
	}, order)
	_, err = loadOrder(dep, []string{"ext4"})
	assert.ErrorContains(t, err, "no module ext4")
}

func FuzzLoadOrder(f *testing.F) {
	f.Add(dep, "nvme")
	f.Add("a.ko:0 a.ko", "a")
	f.Fuzz(func(t *testing.T, text, name string) {
		order, err := loadOrder(text, []string{name})
		if err != nil {
			return
		}
		require.True(t, slices.ContainsFunc(order, func(file string) bool { return moduleName(file) == name }))
		require.Len(t, slices.Compact(slices.Sorted(slices.Values(order))), len(order))
	})
}

func TestWriteInitrd(t *testing.T) {
	made := Image{Folder: t.TempDir()}
	require.NoError(t, write(filepath.Join(made.modules(), "01-nvme.ko"), "second"))
	require.NoError(t, write(filepath.Join(made.modules(), "00-crc64.ko"), "first"))
	agent := filepath.Join(t.TempDir(), "agent")
	require.NoError(t, os.WriteFile(agent, []byte("program"), 0o755))

	var archive bytes.Buffer
	require.NoError(t, made.WriteInitrd(&archive, agent))
	var found []string
	content := map[string]string{}
	for reader := cpio.NewReader(&archive); ; {
		header, err := reader.Next()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		found = append(found, header.Name)
		bytes, err := io.ReadAll(reader)
		require.NoError(t, err)
		content[header.Name] = string(bytes)
		if header.Name == "init" {
			assert.Equal(t, cpio.FileMode(0o755), header.Mode.Perm())
		}
	}
	assert.Equal(t, []string{"dev", "proc", "sys", "root", "modules", "init", "modules/00-crc64.ko", "modules/01-nvme.ko"}, found)
	assert.Equal(t, "program", content["init"])
	assert.Equal(t, "second", content["modules/01-nvme.ko"])
}
