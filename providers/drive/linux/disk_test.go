package linux_test

import (
	"bytes"
	"cmp"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/drive/linux"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

const mib = 1 << 20

// piped runs another program and gives its output.
func piped(t testing.TB, in []byte, folder string, command ...string) []byte {
	if _, err := exec.LookPath(command[0]); err != nil {
		outside.Missing(t, command[0])
	}
	c := exec.Command(command[0], command[1:]...)
	c.Stdin, c.Dir = bytes.NewReader(in), folder
	var words bytes.Buffer
	c.Stderr = &words
	out, err := c.Output()
	require.NoError(t, err, "%v: %s", command, words.String())
	return out
}

// files are paths with their contents; "-> " begins where a link leads.
type files map[string]string

func (fs files) write(t testing.TB) string {
	folder := t.TempDir()
	for name, text := range fs {
		file := filepath.Join(folder, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
		if target, ok := strings.CutPrefix(text, "-> "); ok {
			require.NoError(t, os.Symlink(target, file))
			continue
		}
		require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
	}
	return folder
}

// and gives these files with others added or in their place; an empty name of one to
// leave out is its text "-".
func (fs files) and(more files) files {
	all := files{}
	for _, list := range []files{fs, more} {
		for name, text := range list {
			if all[name] = text; text == "-" {
				delete(all, name)
			}
		}
	}
	return all
}

// part is a partition of a disk that sgdisk makes.
type part struct {
	kind  string // "ext4", "xfs", "vfat", "btrfs", "swap", or a word that only stands there
	id    string // UUID of the filesystem
	files files
	code  string // of sgdisk; "8300" if empty
	mib   int    // partMiB if 0
}

// disk makes a whole disk: a GPT by sgdisk, filesystems by their own programs.
func disk(t *testing.T, parts ...part) []byte {
	starts, end := []int{}, 1
	command := []string{"sgdisk", "-a", "2048"}
	for i, p := range parts {
		starts = append(starts, end)
		command = append(command, "-n", fmt.Sprintf("%d:%dM:+%dM", i+1, end, p.size()), "-t", fmt.Sprintf("%d:%s", i+1, cmp.Or(p.code, "8300")),
			"-u", fmt.Sprintf("%d:22222222-0000-4000-8000-%012d", i+1, i+1), "-c", fmt.Sprintf("%d:part%d", i+1, i+1))
		end += p.size()
	}
	b := bytes.Clone(once(fmt.Sprint(command, end), func() []byte { return table(t, end+1, command) }))
	for i, p := range parts {
		make := func() []byte { return p.bytes(t) }
		if p.kind == "vfat" { // the same on most disks
			copy(b[starts[i]*mib:], once(fmt.Sprint(p), make))
		} else {
			copy(b[starts[i]*mib:], make())
		}
	}
	return b
}

// table makes a disk with a partition table alone.
func table(t *testing.T, mibs int, command []string) []byte {
	image := filepath.Join(t.TempDir(), "disk")
	require.NoError(t, os.WriteFile(image, nil, 0o644))
	require.NoError(t, os.Truncate(image, int64(mibs)*mib))
	piped(t, nil, "", append(command, image)...)
	b, err := os.ReadFile(image)
	require.NoError(t, err)
	return b
}

// once makes what has that key when it is first asked for. Nobody changes it.
func once(key string, make func() []byte) []byte {
	if kept[key] == nil {
		kept[key] = make()
	}
	return kept[key]
}

var kept = map[string][]byte{}

const partMiB = 12

func (p part) size() int { return cmp.Or(p.mib, partMiB) }

// bytes makes one filesystem.
func (p part) bytes(t *testing.T) []byte {
	file := filepath.Join(t.TempDir(), "part")
	require.NoError(t, os.WriteFile(file, nil, 0o644))
	require.NoError(t, os.Truncate(file, int64(p.size())*mib))
	folder := p.files.write(t)
	switch p.kind {
	case "ext2", "ext3", "ext4":
		piped(t, nil, "", "mke2fs", "-q", "-F", "-t", p.kind, "-U", p.id, "-d", folder, file)
	case "xfs":
		proto := filepath.Join(t.TempDir(), "proto")
		require.NoError(t, os.WriteFile(proto, []byte("/none\n0 0\nd--755 0 0\n"+protofile(t, folder)+"$\n"), 0o644))
		t.Setenv("TEST_DIR", "1") // these three let mkfs.xfs make a small one
		t.Setenv("TEST_DEV", "1")
		t.Setenv("QA_CHECK_FS", "1")
		piped(t, nil, "", "mkfs.xfs", "-q", "-m", "uuid="+p.id, "-p", proto, file)
	case "vfat":
		piped(t, nil, "", "mkfs.vfat", "-i", strings.ReplaceAll(p.id, "-", ""), file)
		entries, err := filepath.Glob(folder + "/*")
		require.NoError(t, err)
		if len(entries) > 0 {
			piped(t, nil, "", append([]string{"mcopy", "-s", "-Q", "-i", file}, append(entries, "::/")...)...)
		}
	case "btrfs":
		piped(t, nil, "", "mkfs.btrfs", "-q", "-M", "-U", p.id, "-r", folder, file)
	case "swap":
		piped(t, nil, "", "mkswap", "-q", "-U", p.id, file)
	case "":
	default:
		t.Fatal("no such filesystem")
	}
	b, err := os.ReadFile(file)
	require.NoError(t, err)
	return b
}

// protofile lists a folder for mkfs.xfs(8).
func protofile(t testing.TB, folder string) string {
	var text strings.Builder
	entries, err := os.ReadDir(folder)
	require.NoError(t, err)
	for _, e := range entries {
		name := filepath.Join(folder, e.Name())
		switch {
		case e.IsDir():
			text.WriteString(e.Name() + " d--755 0 0\n" + protofile(t, name) + "$\n")
		case e.Type() == os.ModeSymlink:
			target, err := os.Readlink(name)
			require.NoError(t, err)
			text.WriteString(e.Name() + " l--777 0 0 " + target + "\n")
		default:
			text.WriteString(e.Name() + " ---644 0 0 " + name + "\n")
		}
	}
	return text.String()
}

// look looks into a disk as a survey does.
func look(t testing.TB, b []byte) *facts.Installed {
	c := content.Read(bytes.NewReader(b), "vda.img", uint64(len(b)), 512, true)
	require.Empty(t, c.Gaps)
	return linux.Look(t.Context(), bytes.NewReader(b), &c)
}

// initramfs makes one of these files by cpio(1) and a compressor.
func initramfs(t testing.TB, fs files, compressor ...string) string {
	folder := fs.write(t)
	names := piped(t, nil, folder, "find", ".", "-mindepth", "1", "-printf", "%P\n")
	b := piped(t, names, folder, "cpio", "--quiet", "-o", "-H", "newc", "-R", "0:0")
	if len(compressor) > 0 {
		b = piped(t, b, "", compressor...)
	}
	return string(b)
}

// kernel makes the head of one with its release (Linux
// Documentation/arch/x86/boot.rst, "The Real-Mode Kernel Header").
func kernel(release string) string {
	b := make([]byte, 0x600)
	copy(b[0x202:], "HdrS")
	b[0x20e], b[0x20f] = 0x00, 0x02 // at 0x400
	copy(b[0x400:], release+" (builder@example) #1 SMP")
	return string(b)
}
