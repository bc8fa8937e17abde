package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/journal"
)

// written gives the records that a whole apply on a stand-in leaves.
func written(t *testing.T) []carry.Record {
	folder, _ := standIn(t)
	name, code := dayOrder(t, folder)
	must(t, "apply", name, "--approve", code, "--stand-in", folder)
	records, err := journal.ReadFile(filepath.Join(folder, "journals", "00000001.journal"))
	require.NoError(t, err)
	var list []carry.Record
	for _, content := range records {
		var r carry.Record
		require.NoError(t, json.Unmarshal(content, &r))
		list = append(list, r)
	}
	require.Equal(t, 1, list[0].Sequence)
	require.Equal(t, carry.End, list[len(list)-1].Event)
	return list
}

// lay writes records as a journal of another number and time.
func lay(t *testing.T, folder, name string, sequence int, at time.Time, records []carry.Record) {
	j, err := journal.Create(filepath.Join(folder, name))
	require.NoError(t, err)
	for n, r := range records {
		if n == 0 {
			r.Sequence = sequence
		}
		r.At = at
		content, err := json.Marshal(r)
		require.NoError(t, err)
		require.NoError(t, j.Append(content))
	}
	require.NoError(t, j.Close())
}

const (
	first, second, third = "00000001.journal", "00000002.journal", "00000003.journal"
	olden                = "20990101T000000.000000000Z-0a1b2c3d4e5f.journal" // from a clock that ran ahead
)

// The numbers of journals say which order is the newest, and every journal says
// whether its order has ended.
func TestJournalsGoByNumber(t *testing.T) {
	whole := written(t)
	cut := whole[:3]
	early, late := time.Unix(0, 0).UTC(), time.Date(2099, 1, 1, 0, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		lay      func(folder string)
		damaged  string // what reading them says
		unended  string // what apply says; empty: it goes on
		current  string // what resume and rollback are about; empty: nothing
		nextName string
	}{
		"none": {func(string) {}, "", "", "", first},
		"one":  {func(f string) { lay(t, f, first, 1, late, whole) }, "", "", first, second},
		"the clock was set back": {func(f string) {
			lay(t, f, first, 1, late, whole)
			lay(t, f, second, 2, early, whole)
		}, "", "", second, third},
		"set back, and cut off": {func(f string) {
			lay(t, f, first, 1, late, whole)
			lay(t, f, second, 2, early, cut)
		}, "", "was begun and has not ended", second, third},
		"an older one was cut off": {func(f string) {
			lay(t, f, first, 1, early, cut)
			lay(t, f, second, 2, late, whole)
		}, "", "was begun and has not ended", first, third},
		"an older one is stuck": {func(f string) {
			lay(t, f, first, 1, early, append(cut[:3:3], carry.Record{Event: carry.End, Result: carry.Stuck, Note: "the drive is gone"}))
			lay(t, f, second, 2, late, whole)
		}, "", "is stuck: the drive is gone", first, third},
		"an older one was rolled back": {func(f string) {
			lay(t, f, first, 1, early, append(cut[:3:3], carry.Record{Event: carry.Rollback}, carry.Record{Event: carry.End, Result: carry.Restored}))
			lay(t, f, second, 2, late, whole)
		}, "", "", second, third},
		"nothing was begun": {func(f string) {
			lay(t, f, first, 1, late, whole)
			lay(t, f, second, 2, late, nil)
		}, "", "", first, third},
		"old names are older": {func(f string) {
			lay(t, f, olden, 0, late, whole)
			lay(t, f, first, 1, early, whole)
		}, "", "", first, second},
		"one with an old name was cut off": {func(f string) {
			lay(t, f, olden, 0, late, cut)
			lay(t, f, first, 1, early, whole)
		}, "", "was begun and has not ended", olden, second},
		"old ones were put elsewhere": {func(f string) { lay(t, f, third, 3, early, whole) }, "", "", third, "00000004.journal"},
		"one is missing": {func(f string) {
			lay(t, f, first, 1, early, whole)
			lay(t, f, third, 3, early, whole)
		}, "the journals from 2 to 2 are missing", "", "", ""},
		"a copy": {func(f string) {
			lay(t, f, first, 1, early, whole)
			lay(t, f, second, 1, early, whole)
		}, "it is number 1, by its name 2", "", "", ""},
		"an old one under a new name": {func(f string) { lay(t, f, first, 0, early, whole) }, "it is number 0, by its name 1", "", "", ""},
		"a new one under an old name": {func(f string) { lay(t, f, olden, 1, early, whole) }, "it is number 1, by its name 0", "", "", ""},
		"another name":                {func(f string) { lay(t, f, "day.journal", 1, early, whole) }, "no journal is named like that", "", "", ""},
		"a short number":              {func(f string) { lay(t, f, "1.journal", 1, early, whole) }, "no journal is named like that", "", "", ""},
		"number nought":               {func(f string) { lay(t, f, "00000000.journal", 0, early, whole) }, "no journal is named like that", "", "", ""},
		"a changed one": {func(f string) {
			lay(t, f, first, 1, early, whole)
			content, err := os.ReadFile(filepath.Join(f, first))
			require.NoError(t, err)
			content[len(content)-5] ^= 1
			require.NoError(t, os.WriteFile(filepath.Join(f, first), content, 0o600))
		}, "is damaged", "", "", ""},
		"an event that is not known": {func(f string) { lay(t, f, first, 1, early, append(cut[:3:3], carry.Record{Event: "pause"})) }, `unknown event "pause"`, "", "", ""},
		"an end that is not known": {func(f string) {
			lay(t, f, first, 1, early, append(cut[:3:3], carry.Record{Event: carry.End, Result: "well"}))
		}, `ended as "well"`, "", "", ""},
		"a pipe": {func(f string) { require.NoError(t, unix.Mkfifo(filepath.Join(f, first), 0o600)) }, "no regular file", "", "", ""},
		"a link": {func(f string) {
			lay(t, f, "elsewhere", 1, early, whole)
			require.NoError(t, os.Symlink("elsewhere", filepath.Join(f, first)))
		}, "symbolic links", "", "", ""},
		"other files": {func(f string) { require.NoError(t, os.WriteFile(filepath.Join(f, "history"), []byte("x"), 0o600)) }, "", "", "", first},
	} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			c.lay(folder)
			p, err := readPast(folder, "")
			if c.damaged != "" {
				require.ErrorContains(t, err, c.damaged)
				return
			}
			require.NoError(t, err)
			assert.Equal(t, c.nextName, numbered(p.next()))
			if err := p.unended(); c.unended == "" {
				assert.NoError(t, err)
			} else {
				assert.ErrorContains(t, err, c.unended)
			}
			b, _, found, err := p.current(t.Context())
			require.NoError(t, err)
			require.Equal(t, c.current != "", found)
			if found {
				assert.Equal(t, c.current, filepath.Base(b.file))
			}
		})
	}
}

// A journal of another machine is never gone on with, and holds apply back where
// it has not ended: nobody knows whose deeds it is of.
func TestJournalsOfAnotherMachine(t *testing.T) {
	whole := written(t)
	folder := t.TempDir()
	lay(t, folder, first, 1, time.Now(), whole)
	p, err := readPast(folder, "0acef3a8d21a99ac1c7121935146acb9")
	require.NoError(t, err)
	assert.NoError(t, p.unended())
	_, _, found, err := p.current(t.Context())
	require.NoError(t, err)
	assert.False(t, found)
	lay(t, folder, second, 2, time.Now(), whole[:3])
	p, err = readPast(folder, "0acef3a8d21a99ac1c7121935146acb9")
	require.NoError(t, err)
	assert.ErrorContains(t, p.unended(), "of another machine")
	_, _, found, err = p.current(t.Context())
	require.NoError(t, err)
	assert.False(t, found)
}

// What an older lendkeep has brought to its end holds nothing up; what it has not
// is for it alone.
func TestJournalsOfAnOlderVersion(t *testing.T) {
	whole := written(t)
	old := fmt.Sprintf(`{"format": 1, "host": "larch", "made_of": %q}`, strings.Repeat("x", 10))
	sum := sha256.Sum256([]byte(old))
	whole[0].Order = fmt.Sprintf("{\n\"sha256\": %q,\n\"order\": %s\n}\n", hex.EncodeToString(sum[:]), old)
	for _, c := range []struct {
		records []carry.Record
		unended string
	}{{whole, ""}, {whole[:3], "it is of another version: 1"}} {
		folder := t.TempDir()
		lay(t, folder, olden, 0, time.Now(), c.records)
		p, err := readPast(folder, "")
		require.NoError(t, err)
		if c.unended == "" {
			assert.NoError(t, p.unended())
		} else {
			assert.ErrorContains(t, p.unended(), c.unended)
		}
		_, _, _, err = p.current(context.Background())
		assert.ErrorContains(t, err, "it is of another version: 1")
	}
}
