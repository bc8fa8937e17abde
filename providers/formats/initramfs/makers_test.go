package initramfs_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/formats/initramfs"
	"lendkeep/testdata/outside"
)

const release = "6.1.0-test"

// modules makes a folder of modules that depmod and modprobe take, below lib/modules.
func modules(t *testing.T) string {
	top := t.TempDir()
	folder := filepath.Join(top, "lib/modules", release)
	require.NoError(t, os.MkdirAll(filepath.Join(folder, "kernel/drivers/nvme/host"), 0o755))
	for name, says := range map[string]string{"nvme": "depends=nvme_core", "nvme-core": "depends="} {
		source := ""
		for i, line := range []string{"license=GPL", says, "name=" + strings.ReplaceAll(name, "-", "_"), "vermagic=" + release + " SMP"} {
			source += fmt.Sprintf("static const char says%d[] __attribute__((section(\".modinfo\"),used)) = %q;\n", i, line)
		}
		piped(t, []byte(source), folder, "gcc", "-c", "-x", "c", "-o", "kernel/drivers/nvme/host/"+name+".ko", "-")
	}
	for name, text := range map[string]string{"modules.order": "", "modules.builtin": "kernel/fs/ext4/ext4.ko\n", "modules.builtin.modinfo": "ext4.license=GPL\x00"} {
		require.NoError(t, os.WriteFile(filepath.Join(folder, name), []byte(text), 0o644))
	}
	piped(t, nil, "", "depmod", "-b", top, release)
	return top
}

// debian runs initramfs-tools, which knows one place of modules: in a mount namespace
// of its own they lie above what is there.
const debian = `set -e
layer=$1/layer; mkdir $layer; mount -t tmpfs none $layer
for folder in usr/lib boot; do
  mkdir -p $layer/$folder.up $layer/$folder.work
  mount -t overlay none -o lowerdir=/$folder,upperdir=$layer/$folder.up,workdir=$layer/$folder.work /$folder
done
mkdir -p /usr/lib/modules; cp -r $1/lib/modules/$2 /usr/lib/modules/
echo CONFIG_RD_XZ=y >/boot/config-$2
cp -r /etc/initramfs-tools $1/conf; sed -i 's/^MODULES=.*/MODULES=list/' $1/conf/initramfs.conf; echo COMPRESSLEVEL=0 >>$1/conf/initramfs.conf; echo nvme >$1/conf/modules
exec mkinitramfs -d $1/conf -c xz -o $1/made $2`

// What initramfs-tools and dracut themselves make is listed as lsinitramfs lists it,
// with the driver and without.
func TestListsWhatOthersMake(t *testing.T) {
	if os.Getuid() != 0 || exec.Command("unshare", "-m", "true").Run() != nil {
		t.Skip("needs a mount namespace of its own: run as root")
	}
	for _, program := range []string{"mkinitramfs", "dracut"} {
		if _, err := exec.LookPath(program); err != nil {
			outside.Missing(t, program)
		}
	}
	makers := map[string]struct {
		command []string
		driver  bool
	}{
		"initramfs-tools": {[]string{"unshare", "-m", "sh", "-c", debian, "sh"}, true},
		"dracut": {[]string{"sh", "-c", `exec dracut --quiet --force --no-hostonly --no-hostonly-cmdline --no-early-microcode --kver $2 --kmoddir $1/lib/modules/$2 \
			--modules base --compress 'zstd -1 -q' --tmpdir $1 $1/made`, "sh"}, false},
	}
	for name, maker := range makers {
		t.Run(name, func(t *testing.T) {
			top := modules(t)
			piped(t, nil, "", append(slices.Clone(maker.command), top, release)...)
			b, err := os.ReadFile(filepath.Join(top, "made"))
			require.NoError(t, err)
			var got []string
			require.NoError(t, initramfs.Walk(t.Context(), bytes.NewReader(b), int64(len(b)), func(f initramfs.File) error {
				got = append(got, f.Name)
				return nil
			}))
			want := strings.Split(strings.TrimSpace(string(piped(t, nil, "", "lsinitramfs", filepath.Join(top, "made")))), "\n")
			slices.Sort(got)
			slices.Sort(want)
			assert.Equal(t, want, got)
			assert.Greater(t, len(got), 50)
			assert.Equal(t, maker.driver, slices.ContainsFunc(got, func(name string) bool { return strings.HasSuffix(name, "/nvme.ko") }))
		})
	}
}
