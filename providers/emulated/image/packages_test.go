package image

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Two lines of apt-get 2.6 (Debian 12), the second of an index without hashes
// of the kind that apt prefers, the third with an epoch.
const uris = `'http://archive.invalid/pool/main/g/glibc/libc6_2.36-9%2bdeb12u14_amd64.deb' libc6_2.36-9+deb12u14_amd64.deb 2759320 SHA256:aa
N: a notice
'http://archive.invalid/pool/main/q/qemu/qemu-system-x86_7.2%2bdfsg-7%2bdeb12u18_amd64.deb' qemu-system-x86_1%3a7.2+dfsg-7+deb12u18_amd64.deb 9281168 SHA256:bb
`

func TestParseURIs(t *testing.T) {
	packages, err := parseURIs([]byte(uris))
	require.NoError(t, err)
	assert.Equal(t, []Package{
		{"libc6", "2.36-9+deb12u14", "libc6_2.36-9+deb12u14_amd64.deb", 2759320, "SHA256:aa"},
		{"qemu-system-x86", "1:7.2+dfsg-7+deb12u18", "qemu-system-x86_1%3a7.2+dfsg-7+deb12u18_amd64.deb", 9281168, "SHA256:bb"},
	}, packages)
}

func TestParseURIsRefuses(t *testing.T) {
	for name, output := range map[string]string{
		"nothing":     "",
		"no hash":     "'http://x' a_1_all.deb 12 \n",
		"no size":     "'http://x' a_1_all.deb twelve SHA256:aa\n",
		"no version":  "'http://x' a_all.deb 12 SHA256:aa\n",
		"bad percent": "'http://x' a_1%zz_all.deb 12 SHA256:aa\n",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := parseURIs([]byte(output))
			assert.Error(t, err)
		})
	}
}

func FuzzParseURIs(f *testing.F) {
	f.Add([]byte(uris))
	f.Add([]byte("'u' a_1_all.deb 1 h"))
	f.Fuzz(func(t *testing.T, output []byte) {
		packages, err := parseURIs(output)
		if err != nil {
			return
		}
		for _, p := range packages {
			assert.Equal(t, p.Name, strings.Split(p.File, "_")[0])
		}
	})
}

func TestNames(t *testing.T) {
	assert.Equal(t, []string{"bash", "udev"}, names("# a system\nbash # the shell\n\n  udev\n"))
	assert.Contains(t, names(packageList), "libvirt-daemon")
}

func TestKeyFollowsEveryInput(t *testing.T) {
	packages, err := parseURIs([]byte(uris))
	require.NoError(t, err)
	before := key(packages)
	assert.Equal(t, before, key(packages))
	assert.Len(t, before, 16)
	packages[1].Hash = "SHA256:cc"
	assert.NotEqual(t, before, key(packages), "a package built anew under the same version")
	assert.NotEqual(t, before, key(packages[:1]))
}

func TestKeepRemovesWhatIsReplaced(t *testing.T) {
	cache := t.TempDir()
	packages, err := parseURIs([]byte(uris))
	require.NoError(t, err)
	debs := filepath.Join(cache, "packages")
	for _, name := range []string{"packages/" + packages[0].File, "packages/libc6_2.35_amd64.deb", "images/old/disk.raw", "work/image/disk.raw"} {
		require.NoError(t, write(filepath.Join(cache, name), name))
	}
	made, fresh := Image{Folder: filepath.Join(cache, "images/new")}, Image{Folder: filepath.Join(cache, "work/image")}
	require.NoError(t, keep(made, fresh, debs, packages))
	assert.FileExists(t, made.Disk())
	assert.NoDirExists(t, filepath.Join(cache, "images/old"))
	assert.FileExists(t, filepath.Join(debs, packages[0].File))
	assert.NoFileExists(t, filepath.Join(debs, "libc6_2.35_amd64.deb"))
}
