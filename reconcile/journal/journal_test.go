package journal

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
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
		torn := []byte("deadbeef {\"half\":")
		cut := rapid.IntRange(0, len(torn)).Draw(t, "cut")
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
func TestChecksumIsCRC32C(t *testing.T) {
	records, _, err := Read([]byte("e3069283 123456789\n"))
	require.NoError(t, err)
	require.Len(t, records, 1)
	assert.Equal(t, "123456789", string(records[0]))
}

func TestDamageAboveTheEndIsAnError(t *testing.T) {
	_, _, err := Read([]byte("00000000 changed\ne3069283 123456789\n"))
	require.ErrorContains(t, err, "line 1 is damaged")
}

func TestDamagedLastLineIsCutOff(t *testing.T) {
	records, whole, err := Read([]byte("e3069283 123456789\n00000000 changed\n"))
	require.NoError(t, err)
	assert.Len(t, records, 1)
	assert.Equal(t, 19, whole)
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

func FuzzRead(f *testing.F) {
	f.Add([]byte("e3069283 123456789\n"))
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
	})
}
