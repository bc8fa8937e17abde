package table

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// plain is a table with two partitions on a disk of blocks sectors.
func plain() *facts.Table {
	return &facts.Table{Kind: "gpt", ID: "0fc63daf-8483-4772-8e79-3d69d8477de4", FirstUsable: 34, LastUsable: blocks - 34, BackupAt: blocks - 1,
		Primary: facts.Sound, Backup: facts.Sound,
		Entries: []facts.Entry{
			{Number: 1, First: 40, Last: 50, ID: "1fc63daf-8483-4772-8e79-3d69d8477de4", Type: facts.TypeESP, Name: "EFI"},
			{Number: 3, First: 64, Last: 300, ID: "3fc63daf-8483-4772-8e79-3d69d8477de4", Type: "0fc63daf-8483-4772-8e79-3d69d8477de4"},
		}}
}

func image(t require.TestingT, table *facts.Table) []byte {
	m := newMemory(blocks*512, 512)
	require.NoError(t, Write(m, blocks*512, 512, nil, table))
	return m.content
}

// resum makes the checksum of a header right again.
func resum(b []byte, at int) {
	sector := b[at*512:][:512]
	clear(sector[16:20])
	binary.LittleEndian.PutUint32(sector[16:], crc32.ChecksumIEEE(sector[:headerBytes]))
}

func TestReadDamage(t *testing.T) {
	last := blocks - 1
	for name, c := range map[string]struct {
		change func(b []byte)
		want   func(t *facts.Table)
		says   string
	}{
		"primary header":   {change: func(b []byte) { b[512+60] ^= 1 }, want: func(t *facts.Table) { t.Primary = facts.Damaged }},
		"primary entries":  {change: func(b []byte) { b[1024+60] ^= 1 }, want: func(t *facts.Table) { t.Primary = facts.Damaged }},
		"primary wiped":    {change: func(b []byte) { clear(b[512:1024]) }, want: func(t *facts.Table) { t.Primary = facts.NoneAt }},
		"beginning wiped":  {change: func(b []byte) { clear(b[:34*512]) }, want: func(t *facts.Table) { t.Primary = facts.NoneAt }},
		"backup header":    {change: func(b []byte) { b[last*512+60] ^= 1 }, want: func(t *facts.Table) { t.Backup = facts.Damaged }},
		"backup entries":   {change: func(b []byte) { b[(last-32)*512+60] ^= 1 }, want: func(t *facts.Table) { t.Backup = facts.Damaged }},
		"backup wiped":     {change: func(b []byte) { clear(b[last*512:]) }, want: func(t *facts.Table) { t.Backup = facts.NoneAt }},
		"both damaged":     {change: func(b []byte) { b[512+60] ^= 1; b[last*512+60] ^= 1 }, says: "no copy of its GPT is sound"},
		"both wiped":       {change: func(b []byte) { clear(b[512:1024]); clear(b[last*512:]) }, says: "the first is not there"},
		"another disk id":  {change: func(b []byte) { b[last*512+60] ^= 1; resum(b, last) }, says: "differ in the disk's id"},
		"no MBR":           {change: func(b []byte) { clear(b[:512]) }, says: "no protective MBR"},
		"DOS beside it":    {change: func(b []byte) { b[recordsAt+4] = 0x83 }, says: "no protective MBR"},
		"hybrid":           {change: func(b []byte) { b[recordsAt+16+4] = 0x83 }, says: "may be read as two tables"},
		"larger entries":   {change: func(b []byte) { b[512+84] = 0; b[512+85] = 1; resum(b, 1) }, says: "128 entries of 256 bytes"},
		"too many entries": {change: func(b []byte) { b[512+82] = 1; resum(b, 1) }, says: "65664 entries"},
		"place":            {change: func(b []byte) { b[512+24] = 2; resum(b, 1) }, want: func(t *facts.Table) { t.Primary = facts.Damaged }},
		"usable beyond":    {change: func(b []byte) { b[512+50] = 1; resum(b, 1) }, want: func(t *facts.Table) { t.Primary = facts.Damaged }},
		"entries inside":   {change: func(b []byte) { b[512+72] = 100; resum(b, 1) }, want: func(t *facts.Table) { t.Primary = facts.Damaged }},
		"blank":            {change: func(b []byte) { clear(b) }, want: nil},
	} {
		t.Run(name, func(t *testing.T) {
			b := image(t, plain())
			c.change(b)
			got, err := Read(bytes.NewReader(b), blocks*512, 512)
			if c.says != "" {
				require.ErrorContains(t, err, c.says)
				return
			}
			require.NoError(t, err)
			want := plain()
			if c.want == nil {
				require.Nil(t, got)
				return
			}
			c.want(want)
			require.Equal(t, want, got)
		})
	}
}

// An image on a larger drive: its backup stays in the middle, and at the end of
// the drive lies what was there before.
func TestReadOnLargerDrive(t *testing.T) {
	b := append(image(t, plain()), make([]byte, 200*512)...)
	want := plain()
	got, err := Read(bytes.NewReader(b), uint64(len(b)), 512)
	require.NoError(t, err)
	assert.Equal(t, want, got)

	copy(b[len(b)-512:], b[(blocks-1)*512:blocks*512])
	want.Stale = true
	got, err = Read(bytes.NewReader(b), uint64(len(b)), 512)
	require.NoError(t, err)
	assert.Equal(t, want, got)

	places, err := Copies(bytes.NewReader(b), uint64(len(b)), 512)
	require.NoError(t, err)
	assert.Equal(t, [][2]uint64{{1, 1}, {2, 33}, {blocks - 1, blocks - 1}, {blocks - 33, blocks - 2}}, places)

	// And cut short: the primary says more than there is.
	got, err = Read(bytes.NewReader(b), 400*512, 512)
	require.ErrorContains(t, err, "it uses sectors 34 to 566 of 400")
	assert.Nil(t, got)
}

func TestReadDOS(t *testing.T) {
	put := func(b []byte, place int, status, kind byte, first, count uint32) {
		r := b[recordsAt+16*place:]
		r[0], r[4] = status, kind
		binary.LittleEndian.PutUint32(r[8:], first)
		binary.LittleEndian.PutUint32(r[12:], count)
		b[510], b[511] = 0x55, 0xaa
	}
	for name, c := range map[string]struct {
		make func(b []byte)
		want []facts.Entry
		none bool
		says string
	}{
		"one":                {make: func(b []byte) { put(b, 1, 0x80, 7, 8, 100) }, want: []facts.Entry{{Number: 2, First: 8, Last: 107, Type: "07", Attributes: 0x80}}},
		"empty":              {make: func(b []byte) { put(b, 0, 0, 0, 0, 0) }, want: []facts.Entry{}},
		"program text":       {make: func(b []byte) { put(b, 0, 0x33, 7, 8, 100) }, none: true},
		"beyond":             {make: func(b []byte) { put(b, 0, 0, 7, 8, blocks) }, says: "partition 1 has 600 sectors from 8, of 600"},
		"shared":             {make: func(b []byte) { put(b, 0, 0, 7, 8, 10); put(b, 1, 0, 7, 17, 10) }, says: "entries 1 and 2 share sectors"},
		"protective alone":   {make: func(b []byte) { put(b, 0, 0, protective, 1, 599) }, says: "no copy of its GPT is sound"},
		"two extended":       {make: func(b []byte) { put(b, 0, 0, 5, 8, 10); put(b, 1, 0, 15, 18, 10) }, says: "two extended"},
		"chain without end":  {make: func(b []byte) { put(b, 0, 0, 5, 8, 100); put(b[8*512:], 1, 0, 5, 0, 10) }, says: "have no end"},
		"chain leads astray": {make: func(b []byte) { put(b, 0, 0, 5, 8, 100); put(b[8*512:], 1, 0, 5, 100, 10) }, says: "lead astray"},
		"chain breaks off":   {make: func(b []byte) { put(b, 0, 0, 5, 8, 100) }, says: "break off at sector 8"},
		"logical outside":    {make: func(b []byte) { put(b, 0, 0, 5, 8, 100); put(b[8*512:], 0, 0, 7, 1, 100) }, says: "not in the extended one"},
		"NTFS":               {make: func(b []byte) { put(b, 0, 0, 0, 0, 0); copy(b[3:], "NTFS    ") }, none: true},
		"NTFS, partitions":   {make: func(b []byte) { put(b, 0, 0, 7, 8, 100); copy(b[3:], "NTFS    ") }, says: "starts a filesystem and has partitions"},
	} {
		t.Run(name, func(t *testing.T) {
			b := make([]byte, blocks*512)
			c.make(b)
			got, err := Read(bytes.NewReader(b), blocks*512, 512)
			if c.says != "" {
				require.ErrorContains(t, err, c.says)
				return
			}
			require.NoError(t, err)
			if c.none {
				require.Nil(t, got)
				return
			}
			require.Equal(t, &facts.Table{Kind: "dos", Entries: c.want}, got)
		})
	}
}

func TestReadRefuses(t *testing.T) {
	for _, c := range []struct{ size, sector uint64 }{{511, 512}, {1 << 20, 520}, {1 << 20, 0}, {1 << 63, 512}, {4096 * 9, 4096}} {
		_, err := Read(bytes.NewReader(make([]byte, 4096)), c.size, c.sector)
		assert.Error(t, err, c)
	}
	got, err := Read(bytes.NewReader(make([]byte, 1024)), 1024, 512)
	require.NoError(t, err, "too small for a table, and empty")
	assert.Nil(t, got)
}

// FuzzRead: whatever is read without an error and is a GPT with both copies can
// be written again, and then says the same.
func FuzzRead(f *testing.F) {
	f.Add(image(f, plain()), false)
	dos := make([]byte, 4096)
	copy(dos[recordsAt:], []byte{0x80, 0, 0, 0, 5, 0, 0, 0, 1, 0, 0, 0, 4, 0, 0, 0})
	dos[510], dos[511], dos[1022], dos[1023] = 0x55, 0xaa, 0x55, 0xaa
	f.Add(dos, false)
	f.Add(image(f, plain()), true)
	f.Fuzz(func(t *testing.T, b []byte, fix bool) {
		if fix && len(b) >= 1536 { // let changed headers be looked into
			resum(b, 1)
			resum(b, len(b)/512-1)
		}
		for _, sector := range []uint64{512, 4096} {
			size := uint64(len(b))
			_, _ = Copies(bytes.NewReader(b), size, sector)
			got, err := Read(bytes.NewReader(b), size, sector)
			if err != nil || got == nil || got.Kind != "gpt" {
				continue
			}
			m := newMemory(int(size-size%sector), int(sector))
			if Write(m, size, sector, nil, got) != nil {
				continue // fewer entries than this package writes
			}
			again, err := Read(m, size, sector)
			require.NoError(t, err)
			require.True(t, same(got, again))
		}
	})
}
