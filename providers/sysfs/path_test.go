package sysfs

import (
	"bytes"
	"context"
	"encoding/binary"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	qcow2reader "github.com/lima-vm/go-qcow2reader"
	"github.com/lima-vm/go-qcow2reader/image/qcow2"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

func TestPathsOfLarch(t *testing.T) {
	survey := surveyOf(t, openHost(t, "larch.txtar"), larchPaths...)
	want := []facts.Path{
		{Named: "/dev/disk/by-partlabel/shelf", Resolved: "/dev/nvme0n1p2", Via: []string{"/dev/disk/by-partlabel/shelf"}},
		{Named: "/srv/images", Resolved: "/srv/images"},
		{Named: "/srv/images/desk-base.qcow2", Resolved: "/srv/images/desk-base.qcow2", Format: "qcow2"},
		{Named: "/srv/images/grading.qcow2", Resolved: "/srv/images/grading.qcow2", Format: "qcow2"},
		{Named: "/srv/images/new.qcow2", Resolved: "/srv/images/new.qcow2", Missing: true},
		{Named: "/srv/images/scanner-desk.qcow2", Resolved: "/srv/images/scanner-desk.qcow2", Format: "qcow2", Backing: "/srv/images/desk-base.qcow2"},
		{Named: "/srv/shelf/catalogue.qcow2", Resolved: "/srv/shelf/catalogue.qcow2", Format: "qcow2"},
	}
	assert.Equal(t, want, survey.Paths)
	index := facts.NewIndex(&survey)
	assert.Equal(t, "/srv/shelf", index.Holding("/srv/shelf/catalogue.qcow2").Path)
	assert.Equal(t, "nvme0n1p2", index.Device("/dev/disk/by-partlabel/shelf").Name)
}

// TestPathsOnDisk covers what an archive cannot hold: images of other formats
// made by qemu-img, links, sockets, a file without permission.
func TestPathsOnDisk(t *testing.T) {
	root := t.TempDir()
	at := func(name string) string { return filepath.Join(root, name) }
	require.NoError(t, os.MkdirAll(at("srv/a"), 0o777))
	require.NoError(t, os.MkdirAll(at("srv/b"), 0o777))
	require.NoError(t, os.WriteFile(at("srv/b/disk.img"), []byte("no magic"), 0o666))
	require.NoError(t, os.Symlink("/srv/b/top.qcow2", at("srv/a/link.qcow2")))
	require.NoError(t, os.Symlink("../srv/c", at("srv/way")))
	require.NoError(t, os.Symlink("b", at("srv/c")))
	require.NoError(t, os.Symlink("link2", at("srv/link1")))
	require.NoError(t, os.Symlink("link1", at("srv/link2")))
	require.NoError(t, unix.Mkfifo(at("srv/pipe"), 0o666))
	require.NoError(t, os.WriteFile(at("srv/b/top.qcow2"), qcow2Image(3, "base.qcow2", ""), 0o666))
	require.NoError(t, os.WriteFile(at("srv/a/base.qcow2"), qcow2Image(2, "file:/srv/b/disk.img", ""), 0o666))
	require.NoError(t, os.WriteFile(at("srv/net.qcow2"), qcow2Image(3, "nbd://host/disk", ""), 0o666))
	require.NoError(t, os.WriteFile(at("srv/data.qcow2"), qcow2Image(3, "", "b/disk.img"), 0o666))
	require.NoError(t, os.WriteFile(at("srv/both.qcow2"), qcow2Image(3, "a/base.qcow2", "b/disk.img"), 0o666))
	require.NoError(t, os.WriteFile(at("srv/self.qcow2"), qcow2Image(3, "self.qcow2", ""), 0o666))
	require.NoError(t, os.WriteFile(at("srv/new.qcow2"), append([]byte(qcow2.Magic), 0, 0, 0, 9), 0o666))
	require.NoError(t, os.WriteFile(at("srv/other.qed"), []byte("QED\x00rest"), 0o666))

	tree, err := Open(root)
	require.NoError(t, err)
	survey, err := tree.Survey(t.Context(), []string{
		"/srv/a/link.qcow2", "/srv/link1", "/srv/pipe", "/srv/net.qcow2", "/srv/data.qcow2", "/srv/both.qcow2",
		"/srv/self.qcow2", "/srv/new.qcow2", "/srv/other.qed", "pool/volume", "/", "/srv/way/disk.img", "/srv/way/none",
	})
	require.NoError(t, err)
	assert.Equal(t, []facts.Path{{Named: "/srv/way/none", Resolved: "/srv/b/none", Via: []string{"/srv/way", "/srv/c"}, Missing: true}}, tree.Paths(t.Context(), []string{"/srv/way/none"}))
	got := map[string]facts.Path{}
	for _, p := range survey.Paths {
		got[p.Named] = p
	}
	same := func(named string, want facts.Path) {
		t.Helper()
		want.Named = named
		if want.Resolved == "" {
			want.Resolved = named
		}
		assert.Equal(t, want, got[named])
	}
	same("/", facts.Path{})
	// The name in the image starts where the image was named, not where it lies.
	same("/srv/a/link.qcow2", facts.Path{Resolved: "/srv/b/top.qcow2", Via: []string{"/srv/a/link.qcow2"}, Format: "qcow2", Backing: "/srv/a/base.qcow2"})
	same("/srv/way/disk.img", facts.Path{Resolved: "/srv/b/disk.img", Via: []string{"/srv/way", "/srv/c"}, Format: "raw"})
	same("/srv/way/none", facts.Path{Resolved: "/srv/b/none", Via: []string{"/srv/way", "/srv/c"}, Missing: true})
	same("/srv/a/base.qcow2", facts.Path{Format: "qcow2", Backing: "/srv/b/disk.img"})
	same("/srv/b/disk.img", facts.Path{Format: "raw"})
	same("/srv/data.qcow2", facts.Path{Format: "qcow2", Backing: "/srv/b/disk.img"})
	same("/srv/self.qcow2", facts.Path{Format: "qcow2", Backing: "/srv/self.qcow2"})
	for named, reason := range map[string]string{
		"/srv/link1": "too many levels", "/srv/pipe": "neither a file nor a block device", "/srv/net.qcow2": "is no path",
		"/srv/both.qcow2": "its own data is in", "/srv/new.qcow2": "header is cut", "/srv/other.qed": "may be based on", "pool/volume": "not an absolute path",
	} {
		assert.Contains(t, got[named].Gap, reason, named)
	}
	assert.NotContains(t, got, "/srv/a/base.qcow2 (deleted)")
}

// qcow2Image makes a header as QEMU docs/interop/qcow2.txt has it.
func qcow2Image(version uint32, basedOn, data string) []byte {
	image := make([]byte, 4096)
	fields := qcow2.HeaderFieldsV2{Version: version, ClusterBits: 16, Size: 1 << 20}
	copy(fields.Magic[:], qcow2.Magic)
	if basedOn != "" {
		fields.BackingFileOffset, fields.BackingFileSize = 2048, uint32(len(basedOn))
		copy(image[2048:], basedOn)
	}
	newer := qcow2.HeaderFieldsV3{RefcountOrder: 4, HeaderLength: 104}
	if data != "" {
		newer.IncompatibleFeatures = 1 << qcow2.IncompatibleFeaturesExternalDataFileBit
		extensions := []any{qcow2.HeaderExtensionTypeFeatureNameTable, uint32(3), [8]byte{1, 2, 3},
			qcow2.HeaderExtensionTypeExternalDataFileNameString, uint32(len(data)), []byte(data)}
		encode(image[104:], extensions...)
	}
	encode(image, fields, newer)
	return image
}

func encode(into []byte, values ...any) {
	var text bytes.Buffer
	for _, value := range values {
		if err := binary.Write(&text, binary.BigEndian, value); err != nil {
			panic(err)
		}
	}
	copy(into, text.Bytes())
}

// TestImagesAgreeWithQemuImg lets qemu-img make one image of each format and
// holds our word for it against its own.
func TestImagesAgreeWithQemuImg(t *testing.T) {
	program, err := exec.LookPath("qemu-img")
	if err != nil {
		outside.Missing(t, "qemu-img is not installed (Debian package qemu-utils)")
	}
	dir := t.TempDir()
	run := func(arguments ...string) {
		command := exec.Command(program, arguments...)
		command.Dir = dir
		said, err := command.CombinedOutput()
		require.NoError(t, err, string(said))
	}
	for _, format := range []string{"qcow2", "raw", "vmdk", "vdi", "vhdx", "vpc", "qed"} {
		run("create", "-q", "-f", format, "image."+format, "1M")
		file, err := os.Open(filepath.Join(dir, "image."+format))
		require.NoError(t, err)
		head, err := readImageHead(file)
		file.Close()
		assert.Equal(t, format, head.format)
		if format == "qcow2" || format == "raw" {
			assert.NoError(t, err, format)
		} else {
			assert.ErrorIs(t, err, errMayBeBased, format)
		}
	}
	for _, compat := range []string{"0.10", "1.1"} {
		run("create", "-q", "-f", "qcow2", "-o", "compat="+compat, "-b", "image.raw", "-F", "raw", "top.qcow2")
		file, err := os.Open(filepath.Join(dir, "top.qcow2"))
		require.NoError(t, err)
		head, err := readImageHead(file)
		file.Close()
		require.NoError(t, err)
		assert.Equal(t, imageHead{"qcow2", "image.raw"}, head, compat)
	}
	run("create", "-q", "-f", "qcow2", "-o", "data_file=data.raw", "outside.qcow2", "1M")
	file, err := os.Open(filepath.Join(dir, "outside.qcow2"))
	require.NoError(t, err)
	defer file.Close()
	head, err := readImageHead(file)
	require.NoError(t, err)
	assert.Equal(t, imageHead{"qcow2", "data.raw"}, head)
}

func FuzzReadImageHead(f *testing.F) {
	f.Add(qcow2Image(3, "base", "data"))
	f.Add(qcow2Image(2, "base", ""))
	f.Add([]byte("KDMV"))
	f.Fuzz(func(t *testing.T, content []byte) {
		head, err := readImageHead(bytes.NewReader(content))
		if bytes.HasPrefix(content, []byte(qcow2.Magic)) {
			require.Equal(t, "qcow2", head.format)
			return
		}
		// Whatever else it is, the library's own probe agrees.
		if image, libraryErr := qcow2reader.Open(bytes.NewReader(content)); libraryErr == nil && head.format != "qed" {
			require.Equal(t, string(image.Type()), head.format, err)
		}
	})
}

// stuck is a file system on a server that does not answer.
type stuck struct {
	fs.ReadLinkFS
	asked, released chan struct{}
}

func (s stuck) Lstat(string) (fs.FileInfo, error) {
	close(s.asked)
	<-s.released
	return nil, fs.ErrNotExist
}

func TestPathThatDoesNotAnswer(t *testing.T) {
	fsys := stuck{parsed(t, "-- (end) --\n"), make(chan struct{}), make(chan struct{})}
	defer close(fsys.released)
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		<-fsys.asked
		cancel()
	}()
	p := examineSoon(ctx, fsys, "/mnt/server/disk.img")
	assert.Contains(t, p.Gap, "did not end")
	assert.False(t, p.Missing)
}
