package table

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/providers/formats/guid"
	"lendkeep/reconcile/facts"
)

// A disk of this many sectors has room for a backup in two places.
const blocks = 600

func sizes(t *rapid.T) (size, sector uint64) {
	sector = rapid.SampledFrom([]uint64{512, 4096}).Draw(t, "sector")
	return blocks * sector, sector
}

func TestWrittenIsRead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size, sector := sizes(t)
		m := newMemory(int(size), int(sector))
		code := bytes.Repeat([]byte{0x90}, bootCode)
		copy(m.content, code)
		want := randomTable(t, blocks, blocks-1, sector)
		require.NoError(t, Write(m, size, sector, nil, want))
		got, err := Read(m, size, sector)
		require.NoError(t, err)
		require.Equal(t, want, got)
		require.Equal(t, code, m.content[:bootCode], "the boot program stays")
		require.Equal(t, m.durable, m.content, "everything is synced")

		require.NoError(t, Write(m, size, sector, want, nil))
		require.Equal(t, make([]byte, int(size)-bootCode), m.content[bootCode:], "none leaves nothing")
	})
}

// states gives two tables to go between: none, one for a shorter disk as a copied
// image has, and one for the whole disk.
func states(t *rapid.T, sector uint64) (a, b *facts.Table) {
	one := func(name string) *facts.Table {
		switch rapid.IntRange(0, 3).Draw(t, name) {
		case 0:
			return nil
		case 1:
			return randomTable(t, blocks, blocks-1, sector)
		case 2:
			return randomTable(t, blocks, 300, sector)
		default: // its backup overlaps that of the whole disk
			return randomTable(t, blocks, blocks-rapid.Uint64Range(2, 40).Draw(t, "short"), sector)
		}
	}
	return one("before"), one("after")
}

// However often it is cut off, and whichever way it then goes, each call comes
// to its end, and no partition of the table that is reached is touched.
func TestCutOffAnywhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size, sector := sizes(t)
		before, after := states(t, sector)
		if before == nil && after == nil {
			return
		}
		m := newMemory(int(size), int(sector))
		if before != nil {
			require.NoError(t, Write(m, size, sector, nil, before))
		}
		for range rapid.IntRange(0, 8).Draw(t, "cut-offs") {
			m.left = rapid.IntRange(0, 14).Draw(t, "deeds")
			from, to := before, after
			if rapid.Bool().Draw(t, "back") {
				from, to = to, from
			}
			if err := Write(m, size, sector, from, to); err != nil {
				require.ErrorIs(t, err, errCut)
			}
			m.cut(func() bool { return rapid.Bool().Draw(t, "reached") })
		}
		for _, end := range [][2]*facts.Table{{before, after}, {after, before}} {
			require.NoError(t, Write(m, size, sector, end[0], end[1]), "%s\n%s", describe(before), describe(after))
			got, err := Read(m, size, sector)
			require.NoError(t, err)
			require.Equal(t, end[1], got)
		}
	})
}

// The same twice in a row at every pair of places, there and then back: the
// second cut-off must not take the copy that the first one left.
func TestCutOffTwice(t *testing.T) {
	const size, sector = blocks * 512, 512
	large := plain()
	large.LastUsable, large.Entries = blocks-34, large.Entries[:1]
	for _, backupAt := range []uint64{blocks - 1, blocks - 12, 400} {
		small := plain()
		small.BackupAt, small.LastUsable = backupAt, backupAt-33
		for pair := range 2 * 16 * 16 {
			m := newMemory(size, sector)
			require.NoError(t, Write(m, size, sector, nil, small))
			all := pair%2 == 0 // of what was not synced is on the disk, or none
			for _, way := range []struct {
				deeds    int
				from, to *facts.Table
			}{{pair / 2 % 16, small, large}, {pair / 32, large, small}} {
				if m.left = way.deeds; way.deeds == 15 {
					m.left = -1 // to the end
				}
				if err := Write(m, size, sector, way.from, way.to); err != nil {
					require.ErrorIs(t, err, errCut)
				}
				m.cut(func() bool { return all })
			}
			require.NoError(t, Write(m, size, sector, small, large), "%d and %d deeds", pair/2%16, pair/32)
			got, err := Read(m, size, sector)
			require.NoError(t, err)
			require.Equal(t, large, got)
		}
	}
}

// What lies in partitions that stay is never written, even where an old backup
// was before.
func TestPartitionsAreNotTouched(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size, sector := sizes(t)
		before := randomTable(t, blocks, 300, sector)
		m := newMemory(int(size), int(sector))
		require.NoError(t, Write(m, size, sector, nil, before))
		after := *before
		after.BackupAt, after.LastUsable = blocks-1, blocks-2-16384/sector
		last := uint64(0)
		for _, e := range before.Entries {
			last = max(last, e.Last)
		}
		shelf := facts.Entry{Number: 128, First: max(last+1, before.FirstUsable), Last: after.LastUsable, ID: randomGUID(t), Type: randomGUID(t), Name: "shelf"}
		if len(before.Entries) > 0 && before.Entries[len(before.Entries)-1].Number == 128 {
			return
		}
		after.Entries = append(append([]facts.Entry{}, before.Entries...), shelf)
		was := bytes.Clone(m.content)
		require.NoError(t, Write(m, size, sector, before, &after))
		for _, e := range after.Entries {
			require.Equal(t, was[e.First*sector:(e.Last+1)*sector], m.content[e.First*sector:(e.Last+1)*sector], e.Name)
		}
		require.NoError(t, Write(m, size, sector, &after, before))
		got, err := Read(m, size, sector)
		require.NoError(t, err)
		require.Equal(t, before, got)
	})
}

func TestWriteRefuses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size, sector := sizes(t)
		there, other, wanted := randomTable(t, blocks, blocks-1, sector), randomTable(t, blocks, blocks-1, sector), randomTable(t, blocks, blocks-1, sector)
		if there.ID == other.ID || there.ID == wanted.ID {
			return
		}
		m := newMemory(int(size), int(sector))
		require.NoError(t, Write(m, size, sector, nil, there))
		was := bytes.Clone(m.content)
		require.ErrorContains(t, Write(m, size, sector, other, wanted), "neither the old nor the new one")
		require.ErrorContains(t, Write(m, size, sector, nil, wanted), "neither the old nor the new one")
		require.Equal(t, was, m.content)

		copy(m.content[sector:], make([]byte, sector)) // nothing sound is left
		copy(m.content[size-sector:], make([]byte, sector))
		require.ErrorContains(t, Write(m, size, sector, there, wanted), "no sound copy")
	})
}

func TestWriteRefusesWhatIsNoTable(t *testing.T) {
	good := func() *facts.Table {
		return &facts.Table{Kind: "gpt", ID: "0fc63daf-8483-4772-8e79-3d69d8477de4", FirstUsable: 34, LastUsable: blocks - 34, BackupAt: blocks - 1,
			Entries: []facts.Entry{{Number: 1, First: 40, Last: 50, ID: "1fc63daf-8483-4772-8e79-3d69d8477de4", Type: facts.TypeESP}}}
	}
	for name, c := range map[string]struct {
		change func(*facts.Table)
		says   string
	}{
		"kind":          {func(t *facts.Table) { t.Kind = "dos" }, "of kind \"dos\""},
		"id":            {func(t *facts.Table) { t.ID = "0FC63DAF-8483-4772-8e79-3d69d8477de4" }, "not in lower case"},
		"no room":       {func(t *facts.Table) { t.FirstUsable = 33 }, "where partitions may be"},
		"no room after": {func(t *facts.Table) { t.LastUsable = blocks - 33 }, "where partitions may be"},
		"beyond":        {func(t *facts.Table) { t.BackupAt = blocks }, "in sector 600 of 600"},
		"outside":       {func(t *facts.Table) { t.Entries[0].First = 33 }, "entry 1 has sectors 33 to 50"},
		"number":        {func(t *facts.Table) { t.Entries[0].Number = 0 }, "no place 0"},
		"type":          {func(t *facts.Table) { t.Entries[0].Type = guid.GUID{}.String() }, "has no type"},
		"twice":         {func(t *facts.Table) { t.Entries = append(t.Entries, t.Entries[0]) }, "is there twice"},
		"shared": {func(t *facts.Table) {
			e := t.Entries[0]
			e.Number = 2
			t.Entries = append(t.Entries, e)
		}, "entries 1 and 2 share sectors"},
		"name": {func(t *facts.Table) { t.Entries[0].Name = "a name that is far too long for any table" }, "more than 36"},
	} {
		t.Run(name, func(t *testing.T) {
			m := newMemory(blocks*512, 512)
			bad := good()
			c.change(bad)
			assert.ErrorContains(t, Write(m, blocks*512, 512, nil, bad), c.says)
			assert.Equal(t, make([]byte, blocks*512), m.content)
		})
	}
	m := newMemory(blocks*512, 512)
	require.NoError(t, Write(m, blocks*512, 512, nil, good()))
	assert.Error(t, Write(m, blocks*512, 512, nil, nil))
}
