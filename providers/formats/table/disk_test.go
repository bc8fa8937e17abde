package table

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"pgregory.net/rapid"

	"lendkeep/providers/formats/guid"
	"lendkeep/reconcile/facts"
)

// memory is a disk that can be cut off: what was not synced by then is there or
// not, sector by sector.
type memory struct {
	content []byte // as it is read
	durable []byte // as it was at the last sync
	sector  int
	left    int // deeds until it is cut off; negative: never
}

var errCut = errors.New("cut off")

func newMemory(size int, sector int) *memory {
	return &memory{content: make([]byte, size), durable: make([]byte, size), sector: sector, left: -1}
}

func (m *memory) ReadAt(b []byte, at int64) (int, error) {
	return bytes.NewReader(m.content).ReadAt(b, at)
}

func (m *memory) deed() error {
	if m.left == 0 {
		return errCut
	}
	m.left--
	return nil
}

func (m *memory) WriteAt(b []byte, at int64) (int, error) {
	if err := m.deed(); err != nil {
		return 0, err
	}
	if at%int64(m.sector) != 0 || len(b)%m.sector != 0 || at+int64(len(b)) > int64(len(m.content)) {
		return 0, io.ErrShortWrite
	}
	return copy(m.content[at:], b), nil
}

func (m *memory) Sync() error {
	if err := m.deed(); err != nil {
		return err
	}
	copy(m.durable, m.content)
	return nil
}

// cut is a power cut: of what was written since the last sync some sectors are
// on the disk.
func (m *memory) cut(reached func() bool) {
	for at := 0; at < len(m.content); at += m.sector {
		if old, now := m.durable[at:at+m.sector], m.content[at:at+m.sector]; !bytes.Equal(old, now) && reached() {
			copy(old, now)
		}
	}
	copy(m.content, m.durable)
	m.left = -1
}

// randomTable gives a table for a disk of that many sectors, whose backup is in
// a given one.
func randomTable(t *rapid.T, blocks, backupAt, sector uint64) *facts.Table {
	reserve := 16384 / sector
	a := &facts.Table{Kind: "gpt", ID: randomGUID(t), BackupAt: backupAt,
		FirstUsable: 2 + reserve, LastUsable: backupAt - reserve - 1, Primary: facts.Sound, Backup: facts.Sound, Entries: []facts.Entry{}}
	at := a.FirstUsable
	for number := 1; number <= 128 && at <= a.LastUsable; number++ {
		first := at + rapid.Uint64Range(0, 2*(a.LastUsable-at)/3).Draw(t, "gap")
		last := first + rapid.Uint64Range(0, (a.LastUsable-first)).Draw(t, "length")
		if rapid.Bool().Draw(t, "used") {
			a.Entries = append(a.Entries, facts.Entry{Number: number, First: first, Last: last, ID: randomGUID(t),
				Type:       rapid.SampledFrom([]string{facts.TypeESP, "0fc63daf-8483-4772-8e79-3d69d8477de4", randomGUID(t)}).Draw(t, "type"),
				Name:       rapid.StringMatching(`[a-zA-Z0-9 äß世🙂]{0,18}`).Draw(t, "name"),
				Attributes: rapid.SampledFrom([]uint64{0, 1, 4, 1 << 60, 1<<63 | 1}).Draw(t, "attributes")})
			at = last + 1
		}
	}
	return a
}

func randomGUID(t *rapid.T) string {
	b := rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "guid")
	return guid.GUID(append([]byte{1}, b[1:]...)).String()
}

func describe(t *facts.Table) string { return fmt.Sprintf("%+v", t) }
