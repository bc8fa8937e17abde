package journal

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	"pgregory.net/rapid"
)

func TestRecordsComeBackAsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		folder, err := os.MkdirTemp("", "journal")
		require.NoError(t, err)
		defer os.RemoveAll(folder)
		name := filepath.Join(folder, "j")
		want := rapid.SliceOf(rapid.StringMatching(`[^\n]{0,40}`)).Draw(t, "records")
		j, err := Create(name)
		require.NoError(t, err)
		for _, record := range want {
			require.NoError(t, j.Append([]byte(record)))
		}
		require.NoError(t, j.Close())
		// A crash may leave any part of one more record.
		torn := framed([]byte(rapid.StringMatching(`[^\n]{0,40}`).Draw(t, "torn")))
		cut := rapid.IntRange(0, len(torn)-1).Draw(t, "cut")
		file, err := os.OpenFile(name, os.O_APPEND|os.O_WRONLY, 0)
		require.NoError(t, err)
		_, err = file.Write(torn[:cut])
		require.NoError(t, err)
		require.NoError(t, file.Close())

		j, records, err := Open(name)
		require.NoError(t, err)
		require.NoError(t, j.Append([]byte("after")))
		require.NoError(t, j.Close())
		_, records, err = Open(name)
		require.NoError(t, err)
		got := []string{}
		for _, record := range records {
			got = append(got, string(record))
		}
		assert.Equal(t, append(want[:len(want):len(want)], "after"), got)
	})
}

// The check value of CRC-32C over "123456789" is e3069283 (RFC 3720 B.4 gives
// the polynomial; the value is the one catalogued for CRC-32/ISCSI).
const checked = "00000009:e3069283 123456789\n"

func TestFrames(t *testing.T) {
	const old = "e3069283 123456789\n"
	for name, c := range map[string]struct {
		content string
		records int
		says    string // empty: it is read
	}{
		"nothing":                        {"", 0, ""},
		"whole":                          {checked + checked, 2, ""},
		"from before there were lengths": {old, 1, ""},
		"both":                           {old + checked, 2, ""},
		"torn in its length":             {checked + "0000", 1, ""},
		"torn in its sum":                {checked + "00000009:e30", 1, ""},
		"torn in its text":               {checked + "00000009:e3069283 1234", 1, ""},
		"torn before its end":            {checked + "00000009:e3069283 123456789", 1, ""},
		"an old one torn":                {old + "e3069283 1234", 1, ""},
		"the last changed":               {checked + "00000009:e3069283 123456780\n", 0, "record 2 is damaged (its sum is another)"},
		"the last one's end changed":     {checked + "00000009:e3069283 123456789\v", 0, "record 2 is damaged (it does not end where it says)"},
		"the last one's length larger":   {checked + "00000109:e3069283 123456789\n", 0, "record 2 is damaged (it is shorter than it says)"},
		"an old one changed":             {old + "e3069283 123456780\n", 0, "record 2 is damaged (its sum is another)"},
		"the first changed":              {"00000009:e3069283 123456780\n" + checked, 0, "record 1 is damaged"},
		"the first shortened":            {"00000009:e3069283 12345678\n" + checked, 0, "record 1 is damaged"},
		"something else behind":          {checked + "# seen", 0, "record 2 is damaged (it does not begin as one)"},
		"an empty line":                  {checked + "\n", 0, "record 2 is damaged (it does not begin as one)"},
	} {
		t.Run(name, func(t *testing.T) {
			records, whole, err := Read([]byte(c.content))
			if c.says != "" {
				require.ErrorContains(t, err, c.says)
				return
			}
			require.NoError(t, err)
			require.Len(t, records, c.records)
			for _, record := range records {
				assert.Equal(t, "123456789", string(record))
			}
			assert.Equal(t, strings.LastIndex(c.content, "\n")+1, whole)
		})
	}
}

// Whatever bit of a journal is turned over, it is damage and no crash.
func TestEveryFlippedBitIsDamage(t *testing.T) {
	content := append(append(framed([]byte(`{"event":"intent"}`)), framed(nil)...), framed([]byte(`{"event":"end"}`))...)
	_, whole, err := Read(content)
	require.NoError(t, err)
	require.Equal(t, len(content), whole)
	for at := range content {
		for bit := range 8 {
			flipped := bytes.Clone(content)
			flipped[at] ^= 1 << bit
			_, _, err := Read(flipped)
			require.Error(t, err, "bit %d of byte %d: %q", bit, at, flipped)
		}
	}
}

// Of a link, a pipe and a folder nothing is read, and nobody waits for them.
func TestOnlyFilesAreRead(t *testing.T) {
	folder := t.TempDir()
	real, link, pipe := filepath.Join(folder, "real"), filepath.Join(folder, "link"), filepath.Join(folder, "pipe")
	require.NoError(t, os.WriteFile(real, []byte(checked), 0o600))
	require.NoError(t, os.Symlink(real, link))
	require.NoError(t, unix.Mkfifo(pipe, 0o600))
	_, err := ReadFile(real)
	require.NoError(t, err)
	for _, name := range []string{link, pipe, folder} {
		_, err := ReadFile(name)
		require.Error(t, err, name)
		_, _, err = Open(name)
		require.Error(t, err, name)
	}
	_, err = ReadFile(filepath.Join(folder, "absent"))
	require.ErrorIs(t, err, os.ErrNotExist)
}

func TestCreateRefusesAnExistingFile(t *testing.T) {
	name := filepath.Join(t.TempDir(), "j")
	_, err := Create(name)
	require.NoError(t, err)
	_, err = Create(name)
	require.ErrorIs(t, err, os.ErrExist)
}

func TestRecordWithLineFeedIsRefused(t *testing.T) {
	j, err := Create(filepath.Join(t.TempDir(), "j"))
	require.NoError(t, err)
	require.Error(t, j.Append([]byte("a\nb")))
}

type failing struct{ write, sync error }

func (f failing) Write(p []byte) (int, error) { return len(p), f.write }
func (f failing) Sync() error                 { return f.sync }
func (f failing) Close() error                { return nil }

func TestNothingIsWrittenAfterAFailure(t *testing.T) {
	for name, file := range map[string]failing{"write": {write: errors.New("no space")}, "sync": {sync: errors.New("input/output error")}} {
		t.Run(name, func(t *testing.T) {
			j := New(file)
			require.Error(t, j.Append([]byte("one")))
			require.ErrorContains(t, j.Append([]byte("two")), "an earlier write failed")
		})
	}
}

// FuzzRead: what is read is what was framed, and a part of the whole at its end
// is passed over only where nothing of it is a record.
func FuzzRead(f *testing.F) {
	f.Add([]byte(checked))
	f.Add([]byte(checked + "0000"))
	f.Add([]byte("e3069283 123456789\ne306"))
	f.Fuzz(func(t *testing.T, content []byte) {
		records, whole, err := Read(content)
		if err != nil {
			return
		}
		again, wholeAgain, err := Read(content[:whole])
		require.NoError(t, err)
		require.Equal(t, whole, wholeAgain)
		require.Equal(t, records, again)
		require.NotContains(t, string(content[whole:]), "\n")
		var written []byte
		for _, record := range records {
			written = append(written, framed(record)...)
		}
		again, wholeAgain, err = Read(written)
		require.NoError(t, err)
		require.Equal(t, len(written), wholeAgain)
		require.Equal(t, len(records), len(again))
	})
}
