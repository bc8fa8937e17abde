package image

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"sync"
)

// tables keeps pieces of L1 and L2 tables of a whole chain in memory: a bounded
// number, whatever headers claim of the size of their tables.
type tables struct {
	mu    sync.Mutex
	units map[unitAt][]byte
	order []unitAt // oldest first
	last  unitAt
	hot   []byte // of last
}

// unitAt is which aligned unit of which file of the chain.
type unitAt struct {
	number int
	unit   int64
}

const (
	unitBytes = 64 << 10
	maxUnits  = 128 // 8 MiB
)

// entry reads the eight bytes at an offset of a file, which is a multiple of 8.
func (t *tables) entry(q *qcow2Layer, at int64) (uint64, error) {
	want := unitAt{q.number, at / unitBytes}
	unit, err := t.unit(q, want)
	if err != nil {
		return 0, err
	}
	inside := at % unitBytes
	if inside+8 > int64(len(unit)) {
		return 0, fmt.Errorf("%s: byte %d is behind its end", q.path, at)
	}
	return binary.BigEndian.Uint64(unit[inside:]), nil
}

// unit gives one unit, read before or now. Two readers may both read it; that
// does no harm and lets others go on meanwhile.
func (t *tables) unit(q *qcow2Layer, want unitAt) ([]byte, error) {
	t.mu.Lock()
	if t.hot != nil && t.last == want {
		defer t.mu.Unlock()
		return t.hot, nil
	}
	unit, ok := t.units[want]
	if ok {
		t.last, t.hot = want, unit
	}
	t.mu.Unlock()
	if ok {
		return unit, nil
	}
	unit = make([]byte, unitBytes)
	n, err := q.file.ReadAt(unit, want.unit*unitBytes)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("read %s: %w", q.path, err)
	}
	t.keep(want, unit[:n])
	return unit[:n], nil
}

func (t *tables) keep(at unitAt, unit []byte) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.units == nil {
		t.units = map[unitAt][]byte{}
	}
	if _, there := t.units[at]; there {
		return
	}
	if len(t.order) == maxUnits {
		delete(t.units, t.order[0])
		t.order = append(t.order[:0], t.order[1:]...)
	}
	t.units[at] = unit
	t.order = append(t.order, at)
}
