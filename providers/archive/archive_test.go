package archive

import (
	"bytes"
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/providers/files"
)

func parsed(t require.TestingT, text string) *Archive {
	archive, err := Parse([]byte(text))
	require.NoError(t, err)
	return archive
}

func TestArchiveKeepsEveryKind(t *testing.T) {
	archive := parsed(t, `A comment.
-- a/text --
two
lines
-- a/empty --
-- a/bytes (hex) --
000000 00ff0000000000000000000000000000
000020 01
size 33
-- a/link -> ../a/text --
-- a/dir/ --
-- dev/sda (block) --
-- a/denied (unreadable) --
permission denied
-- (end) --
`)
	text, err := fs.ReadFile(archive, "a/link")
	require.NoError(t, err)
	assert.Equal(t, "two\nlines\n", string(text))
	content, err := archive.ReadFile("a/bytes")
	require.NoError(t, err)
	want := make([]byte, 33)
	want[1], want[32] = 0xff, 1
	assert.Equal(t, want, content)
	_, err = archive.Open("a/denied")
	assert.EqualError(t, files.Cause(err), "permission denied")
	stat, err := archive.Lstat("dev/sda")
	require.NoError(t, err)
	assert.True(t, stat.Mode().Type() == fs.ModeDevice)
	entries, err := archive.ReadDir("a/dir")
	require.NoError(t, err)
	assert.Empty(t, entries)
	_, err = archive.Open("a/nothing")
	assert.ErrorIs(t, err, fs.ErrNotExist)
}

// TestArchiveIsAFileSystem holds an archive to the standard library's own idea
// of a file system.
func TestArchiveIsAFileSystem(t *testing.T) {
	larch, err := Open("../../testdata/hosts/larch.txtar")
	require.NoError(t, err)
	for name, n := range larch.nodes { // TestFS opens every link
		if n.Mode.Type() == fs.ModeSymlink {
			if _, err := larch.Stat(name); err != nil {
				require.NoError(t, larch.add("gone/"+strings.ReplaceAll(name, "/", "_"), &node{Entry: Entry{Mode: 0o444}}))
				n.Mode, n.Target = 0o444, ""
			}
		}
	}
	larch.sortChildren()
	require.NoError(t, fstest.TestFS(larch, "proc/self/mountinfo", "srv/images/grading.qcow2"))
}

func TestArchiveIsReadStrictly(t *testing.T) {
	end := "-- (end) --\n"
	for name, test := range map[string]struct{ text, want string }{
		"nothing":              {"", "it was cut"},
		"cut":                  {"-- a --\nx\n", "it was cut"},
		"after the end":        {end + "x\n", "something follows"},
		"end in the middle":    {end + "-- a --\n" + end, "is not known"},
		"twice":                {"-- a --\n-- a --\n" + end, "twice"},
		"outside":              {"-- ../a --\n" + end, "want a path below the root"},
		"from the root":        {"-- /a --\n" + end, "want a path below the root"},
		"double slash":         {"-- a//b --\n" + end, "want a path below the root"},
		"file below a file":    {"-- a --\n-- a/b --\n" + end, "no directory"},
		"file below a link":    {"-- a -> b --\n-- a/b --\n" + end, "no directory"},
		"damaged mark":         {"-- a --\n-- b -\n" + end, "looks like a mark"},
		"link with content":    {"-- a -> b --\nx\n" + end, "want no content"},
		"directory with text":  {"-- a/ --\nx\n" + end, "want no content"},
		"node with text":       {"-- a (block) --\nx\n" + end, "want no content"},
		"no reason":            {"-- a (unreadable) --\n" + end, "want the reason"},
		"no size":              {"-- a (hex) --\n000000 00\n" + end, "want its size"},
		"large size":           {"-- a (hex) --\nsize 99999999999\n" + end, "want its size"},
		"row past the size":    {"-- a (hex) --\n000010 01\nsize 16\n" + end, "want rows"},
		"row of another width": {"-- a (hex) --\n000000 01\nsize 16\n" + end, "want rows"},
		"rows out of sequence": {"-- a (hex) --\n000010 01\n000000 01010101010101010101010101010101\nsize 17\n" + end, "want rows"},
		"row of zeros":         {"-- a (hex) --\n000000 00\nsize 1\n" + end, "only zeros"},
		"upper case":           {"-- a (hex) --\n000000 0A\nsize 1\n" + end, "lower case"},
		"odd digits":           {"-- a (hex) --\n000000 0\nsize 1\n" + end, "row"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Parse([]byte(test.text))
			require.ErrorContains(t, err, test.want)
		})
	}
}

// TestRecordingRoundTrip: what was read through a recording reads the same from
// the archive that it writes.
func TestRecordingRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := newArchive()
		names := rapid.SliceOfNDistinct(rapid.StringMatching(`[a-c]{1,2}(/[a-c:.@ ]{0,2}[a-c]){0,2}`), 1, 8, rapid.ID).Draw(t, "names")
		for _, name := range names {
			content := rapid.OneOf(
				rapid.SliceOfN(rapid.Byte(), 0, 40),
				rapid.Map(rapid.StringMatching(`(-- a --\n|x\n|-- \n|\r\n){0,3}`), func(s string) []byte { return []byte(s) }),
			).Draw(t, "content")
			_ = from.add(name, &node{Entry: Entry{Mode: 0o444, Content: content}}) // clashes are left out
		}
		from.sortChildren()
		recording := Record(from)
		for name, n := range from.nodes {
			if !n.Mode.IsDir() {
				_, err := fs.ReadFile(recording, name)
				require.NoError(t, err)
			}
		}
		var text bytes.Buffer
		require.NoError(t, recording.Write(&text))
		to := parsed(t, text.String())
		for name, n := range from.nodes {
			if !n.Mode.IsDir() {
				content, err := to.ReadFile(name)
				require.NoError(t, err)
				require.True(t, bytes.Equal(n.Content, content), name)
			}
		}
	})
}

func TestRecordingRefusesWhatCannotBeSaid(t *testing.T) {
	for _, name := range []string{"a -> b", "a (hex)", "a\nb", " a"} {
		recording := Record(parsed(t, "-- (end) --\n"))
		recording.Add(name, []byte("x\n"))
		assert.Error(t, recording.Write(&bytes.Buffer{}), name)
	}
}

func FuzzParse(f *testing.F) {
	for _, text := range []string{
		"-- --\n", "-- (end) --\n", "-- a --\nx\n-- (end) --\n", "-- a (hex) --\n000000 01\nsize 1\n-- (end) --\n",
		"-- a -> ../b --\n-- b/ --\n-- c (block) --\n-- d (unreadable) --\nno\n-- (end) --\n",
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, content []byte) {
		archive, err := Parse(content)
		if err != nil {
			return
		}
		// What is accepted can be read through and written again.
		recording := Record(archive)
		err = fs.WalkDir(recording, ".", func(name string, entry fs.DirEntry, err error) error {
			if err == nil && entry.Type().IsRegular() {
				_, _ = fs.ReadFile(recording, name)
			}
			return nil
		})
		require.NoError(t, err)
		var text bytes.Buffer
		if recording.Write(&text) == nil {
			_, err := Parse(text.Bytes())
			require.NoError(t, err)
		}
	})
}
