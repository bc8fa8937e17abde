package files

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/testdata/outside"
)

// odd makes one of each thing that is no file, by its name.
func odd(t *testing.T) (folder string, names []string) {
	folder = t.TempDir()
	require.NoError(t, unix.Mkfifo(filepath.Join(folder, "pipe"), 0o600))
	require.NoError(t, os.Mkdir(filepath.Join(folder, "folder"), 0o700))
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_STREAM, 0)
	require.NoError(t, err)
	t.Cleanup(func() { _ = unix.Close(fd) })
	t.Chdir(folder) // a socket's name is short
	require.NoError(t, unix.Bind(fd, &unix.SockaddrUnix{Name: "socket"}))
	require.NoError(t, os.Symlink("pipe", filepath.Join(folder, "to-pipe")))
	require.NoError(t, os.Symlink("/dev/zero", filepath.Join(folder, "to-zero")))
	return folder, []string{"pipe", "folder", "socket", "to-pipe", "to-zero"}
}

func TestOnlyFilesAreRead(t *testing.T) {
	folder, names := odd(t)
	for _, name := range append(names, "/dev/zero", "/dev/tty") {
		for _, read := range []func(string, int64) ([]byte, error){Read, ReadTrusted} {
			_, err := read(name, 10)
			assert.Error(t, err, name)
		}
		if name != "folder" && !strings.HasPrefix(name, "/") {
			_, err := Dir(folder).Open(name)
			assert.Error(t, err, name)
			_, err = fs.ReadFile(Dir(folder), name)
			assert.Error(t, err, name)
		}
		_, err := OpenDrive(name)
		assert.Error(t, err, name)
		assert.Error(t, Write(filepath.Join(folder, name), []byte("x"), Private), name)
	}
	_, err := Dir(folder).Open("../" + filepath.Base(folder) + "/pipe")
	assert.ErrorIs(t, err, fs.ErrInvalid)
	_, err = Dir(folder).Open("absent")
	assert.ErrorIs(t, err, fs.ErrNotExist)
	_, err = Read("absent", 10)
	assert.ErrorIs(t, err, fs.ErrNotExist)
}

func TestReadIsBounded(t *testing.T) {
	name := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(name, []byte("0123456789"), 0o600))
	content, err := Read(name, 10)
	require.NoError(t, err)
	assert.Equal(t, "0123456789", string(content))
	_, err = Read(name, 9)
	assert.ErrorContains(t, err, "more than the 9 bytes")
	content, err = fs.ReadFile(Dir(filepath.Dir(name)), "file")
	require.NoError(t, err)
	assert.Equal(t, "0123456789", string(content))
}

func TestWrite(t *testing.T) {
	folder := t.TempDir()
	name := filepath.Join(folder, "survey.json")
	require.NoError(t, os.WriteFile(name, []byte("an older, longer one"), 0o644))
	old := unix.Umask(0o077)
	defer unix.Umask(old)
	for _, mode := range []fs.FileMode{Private, 0o644} {
		require.NoError(t, Write(name, []byte("new"), mode))
		stat, err := os.Stat(name)
		require.NoError(t, err)
		assert.Equal(t, mode, stat.Mode().Perm(), "whatever the old one's mode and the umask are")
	}
	content, err := os.ReadFile(name)
	require.NoError(t, err)
	assert.Equal(t, "new", string(content))

	link := filepath.Join(folder, "link")
	require.NoError(t, os.Symlink("survey.json", link))
	assert.ErrorContains(t, Write(link, []byte("through it"), Private), "no regular file")
	dangling := filepath.Join(folder, "dangling")
	require.NoError(t, os.Symlink("nowhere", dangling))
	assert.Error(t, Write(dangling, []byte("through it"), Private))
	content, err = os.ReadFile(name)
	require.NoError(t, err)
	assert.Equal(t, "new", string(content))
	assert.Error(t, Write(filepath.Join(folder, "no", "folder"), nil, Private))
	entries, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Len(t, entries, 3, "nothing half written is left")
}

// others makes something belong to another user.
func others(t *testing.T, name string) {
	if os.Geteuid() != 0 {
		outside.Missing(t, "files of other users take root")
	}
	require.NoError(t, os.Lchown(name, 65534, 65534))
}

func TestOwn(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(t *testing.T, parent, folder string)
		says  string // empty: it is ours
	}{
		"ours": {func(*testing.T, string, string) {}, ""},
		"a link of ours": {func(t *testing.T, p, f string) {
			require.NoError(t, os.Rename(f, p+"/there"))
			require.NoError(t, os.Symlink("there", f))
		}, ""},
		"a sticky parent":         {func(t *testing.T, p, f string) { require.NoError(t, os.Chmod(p, 0o777|fs.ModeSticky)) }, ""},
		"others write it":         {func(t *testing.T, p, f string) { require.NoError(t, os.Chmod(f, 0o777)) }, "has mode 0777"},
		"a group writes it":       {func(t *testing.T, p, f string) { require.NoError(t, os.Chmod(f, 0o770)) }, "has mode 0770"},
		"others write its parent": {func(t *testing.T, p, f string) { require.NoError(t, os.Chmod(p, 0o777)) }, "has mode 0777"},
		"it is another's":         {func(t *testing.T, p, f string) { others(t, f) }, "belongs to user 65534"},
		"its parent is another's": {func(t *testing.T, p, f string) { others(t, p) }, "belongs to user 65534"},
		"a link of another's": {func(t *testing.T, p, f string) {
			require.NoError(t, os.Rename(f, p+"/there"))
			require.NoError(t, os.Symlink("there", f))
			others(t, f)
		}, "the link"},
		"a link of another's behind one of ours": {func(t *testing.T, p, f string) {
			require.NoError(t, os.Rename(f, p+"/there"))
			require.NoError(t, os.Symlink("there", p+"/second"))
			require.NoError(t, os.Symlink("./x/../second", f))
			require.NoError(t, os.Mkdir(p+"/x", 0o700))
			others(t, p+"/second")
		}, "the link"},
		"links in a circle": {func(t *testing.T, p, f string) {
			require.NoError(t, os.Remove(f))
			require.NoError(t, os.Symlink("second", f))
			require.NoError(t, os.Symlink("larch", p+"/second"))
		}, "too many levels"},
		"not there": {func(t *testing.T, p, f string) { require.NoError(t, os.Remove(f)) }, "no such file"},
		"a file": {func(t *testing.T, p, f string) {
			require.NoError(t, os.Remove(f))
			require.NoError(t, os.WriteFile(f, nil, 0o600))
		}, "not a directory"},
	} {
		t.Run(name, func(t *testing.T) {
			parent := t.TempDir()
			folder := filepath.Join(parent, "larch")
			require.NoError(t, os.Mkdir(folder, 0o700))
			c.spoil(t, parent, folder)
			err := Own(folder)
			if c.says == "" {
				assert.NoError(t, err)
				return
			}
			assert.ErrorContains(t, err, c.says)
		})
	}
}

// What is written below a link of another's would be where he wants it.
func TestWriteBelowAnothersLink(t *testing.T) {
	parent := t.TempDir()
	require.NoError(t, os.Mkdir(parent+"/there", 0o700))
	require.NoError(t, os.Symlink("there", parent+"/link"))
	require.NoError(t, Write(parent+"/link/a", []byte("x"), Private))
	others(t, parent+"/link")
	assert.ErrorIs(t, Write(parent+"/link/b", []byte("x"), Private), ErrOthersWrite)
	assert.NoFileExists(t, parent+"/there/b")
}

// At no moment is there half of a file under any name, so that none stays after a kill;
// where nothing was there is no other name either.
func TestNothingHalfWrittenHasAName(t *testing.T) {
	content := bytes.Repeat([]byte("layout\n"), 1<<20)
	for what, c := range map[string]struct {
		write func(string, []byte, fs.FileMode) error
		old   bool
	}{
		"a new file, by WriteNew": {WriteNew, false},
		"a new file, by Write":    {Write, false},
		"another content":         {Write, true},
	} {
		t.Run(what, func(t *testing.T) {
			folder := t.TempDir()
			name := filepath.Join(folder, "a")
			if c.old {
				require.NoError(t, os.WriteFile(name, content[:7], Private))
			}
			written := make(chan error)
			go func() { written <- c.write(name, content, Private) }()
			for done := false; !done; {
				select {
				case err := <-written:
					require.NoError(t, err)
					done = true
				default:
				}
				there, err := os.ReadDir(folder)
				require.NoError(t, err)
				for _, entry := range there {
					stat, err := entry.Info()
					if errors.Is(err, fs.ErrNotExist) {
						continue
					}
					require.NoError(t, err)
					whole := stat.Size() == int64(len(content)) || c.old && entry.Name() == "a" && stat.Size() == 7
					require.True(t, whole, "%s has %d bytes", entry.Name(), stat.Size())
					require.True(t, c.old || entry.Name() == "a", entry.Name())
				}
			}
			seen, err := os.ReadFile(name)
			require.NoError(t, err)
			assert.Equal(t, len(content), len(seen))
			there, err := os.ReadDir(folder)
			require.NoError(t, err)
			assert.Len(t, there, 1, "nothing else is left")
		})
	}
}

// A filesystem without files that have no name has them under one of their own, which
// goes again.
func TestWriteWhereFilesHaveNames(t *testing.T) {
	folder := t.TempDir()
	name := filepath.Join(folder, "a")
	for _, content := range []string{"one", "other"} {
		file, err := os.CreateTemp(folder, "*")
		require.NoError(t, err)
		_, err = file.WriteString(content)
		require.NoError(t, err)
		made := &unnamed{file, folder, file.Name()}
		require.NoError(t, made.replace(name))
		made.end()
		seen, err := os.ReadFile(name)
		require.NoError(t, err)
		assert.Equal(t, content, string(seen))
	}
	file, err := os.CreateTemp(folder, "*")
	require.NoError(t, err)
	made := &unnamed{file, folder, file.Name()}
	assert.ErrorIs(t, made.give(name), fs.ErrExist)
	require.NoError(t, made.give(name+"b"))
	made.end()
	there, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Len(t, there, 2)
}

// What is there is not written over, whatever it is.
func TestWriteNew(t *testing.T) {
	folder := t.TempDir()
	name := filepath.Join(folder, "a")
	require.NoError(t, WriteNew(name, []byte("one"), Private))
	assert.ErrorIs(t, WriteNew(name, []byte("two"), Private), fs.ErrExist)
	content, err := os.ReadFile(name)
	require.NoError(t, err)
	assert.Equal(t, "one", string(content))
	require.NoError(t, os.Symlink(filepath.Join(folder, "elsewhere"), filepath.Join(folder, "link")))
	assert.ErrorIs(t, WriteNew(filepath.Join(folder, "link"), []byte("x"), Private), fs.ErrExist)
	assert.NoFileExists(t, filepath.Join(folder, "elsewhere"))
	require.NoError(t, os.Mkdir(filepath.Join(folder, "there"), 0o700))
	require.NoError(t, os.Symlink("there", filepath.Join(folder, "way")))
	others(t, filepath.Join(folder, "way"))
	assert.ErrorIs(t, WriteNew(filepath.Join(folder, "way", "b"), []byte("x"), Private), ErrOthersWrite)
	assert.NoFileExists(t, filepath.Join(folder, "there", "b"))
}
