package content

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"
)

// Bounds for what is followed in an NTFS.
const (
	ntfsRunsMost  = 4096
	ntfsIndexMost = 16 * mib // of the root folder
)

// run is consecutive clusters of a file; those of a hole are not on the disk.
type run struct {
	at, count uint64
	hole      bool
}

// attribute is one of a file: its value, or where its clusters are.
type attribute struct {
	kind  uint32
	name  string
	value []byte
	runs  []run
	size  uint64 // bytes of content
	used  uint64 // bytes that were ever written; behind them it reads as zeroes
	plain bool   // neither compressed nor encrypted
}

func find(list []attribute, kind uint32) *attribute {
	for i := range list {
		// Unnamed, or of a folder's index: other names are other streams.
		if a := &list[i]; a.kind == kind && (a.name == "" || a.name == "$I30") {
			return a
		}
	}
	return nil
}

// attributes reads a record of the file table. One whose attributes do not fit
// into it goes on elsewhere; what is missing here is then not found.
func (n *ntfsOf) attributes(number uint64) ([]attribute, error) {
	b, err := n.fromRuns(n.mft, number*n.record, n.record)
	if err != nil {
		return nil, err
	}
	if string(b[:4]) != "FILE" || !exchange(b) || binary.LittleEndian.Uint16(b[22:])&1 == 0 {
		return nil, fmt.Errorf("record %d of its file table is not one", number)
	}
	var list []attribute
	for at := uint64(binary.LittleEndian.Uint16(b[20:])); at+24 <= n.record; {
		kind, length := binary.LittleEndian.Uint32(b[at:]), uint64(binary.LittleEndian.Uint32(b[at+4:]))
		if kind == 0xffffffff {
			return list, nil
		}
		if length < 24 || length > n.record-at {
			break
		}
		a, ok := readAttribute(b[at : at+length])
		if !ok {
			break
		}
		list = append(list, a)
		at += length
	}
	return nil, fmt.Errorf("record %d of its file table contradicts itself", number)
}

// exchange puts the last two bytes of each 512 back, which were exchanged for a
// number when the block was written; where they differ it was written in part.
func exchange(b []byte) bool {
	at, count := int(binary.LittleEndian.Uint16(b[4:])), int(binary.LittleEndian.Uint16(b[6:]))
	if count < 1 || count-1 > len(b)/512 || at+2*count > len(b) || at < 8 {
		return false
	}
	for i := 1; i < count; i++ {
		end := b[512*i-2 : 512*i]
		if !bytes.Equal(end, b[at:at+2]) {
			return false
		}
		copy(end, b[at+2*i:at+2*i+2])
	}
	return (count-1)*512 == len(b)
}

func readAttribute(b []byte) (attribute, bool) {
	a := attribute{kind: binary.LittleEndian.Uint32(b), plain: binary.LittleEndian.Uint16(b[12:])&0x40ff == 0}
	if units, at := int(b[9]), int(binary.LittleEndian.Uint16(b[10:])); units > 0 {
		if at+2*units > len(b) {
			return a, false
		}
		a.name = wide(b[at:at+2*units], false)
	}
	if b[8] == 0 { // resident
		size, at := uint64(binary.LittleEndian.Uint32(b[16:])), uint64(binary.LittleEndian.Uint16(b[20:]))
		if at+size > uint64(len(b)) {
			return a, false
		}
		a.value, a.size, a.used = b[at:at+size], size, size
		return a, true
	}
	if len(b) < 64 {
		return a, false
	}
	at := int(binary.LittleEndian.Uint16(b[32:]))
	if at < 64 || at > len(b) || binary.LittleEndian.Uint64(b[16:]) != 0 {
		return a, false
	}
	a.size, a.used = binary.LittleEndian.Uint64(b[48:]), binary.LittleEndian.Uint64(b[56:])
	var ok bool
	a.runs, ok = readRuns(b[at:])
	return a, ok
}

// readRuns reads the list of runs: each has a byte with the lengths of the two
// numbers that follow, how many clusters, and where as the difference from the
// run before.
func readRuns(b []byte) ([]run, bool) {
	list := []run{}
	var at int64
	for len(b) > 0 && b[0] != 0 {
		counts, places := int(b[0]&0xf), int(b[0]>>4)
		if counts == 0 || counts > 8 || places > 8 || len(b) < 1+counts+places || len(list) == ntfsRunsMost {
			return nil, false
		}
		count := signedNumber(b[1 : 1+counts])
		at += signedNumber(b[1+counts : 1+counts+places])
		if count <= 0 || at < 0 {
			return nil, false
		}
		list = append(list, run{uint64(at), uint64(count), places == 0})
		b = b[1+counts+places:]
	}
	return list, len(b) > 0
}

func signedNumber(b []byte) int64 {
	var v int64
	for i := len(b) - 1; i >= 0; i-- {
		v = v<<8 | int64(b[i])
	}
	if shift := 64 - 8*len(b); len(b) > 0 {
		v = v << shift >> shift
	}
	return v
}

// content reads a part of a file.
func (n *ntfsOf) content(a *attribute, offset, size uint64) ([]byte, error) {
	switch {
	case !a.plain:
		return nil, fmt.Errorf("%w: it is compressed or encrypted", errNTFS)
	case a.runs != nil:
		b, err := n.fromRuns(a.runs, offset, size)
		if err == nil && offset+size > a.used {
			clear(b[max(a.used, offset)-offset:])
		}
		return b, err
	case offset+size > uint64(len(a.value)):
		return nil, errNTFS
	}
	return a.value[offset : offset+size], nil
}

// fromRuns reads bytes that may lie in several runs.
func (n *ntfsOf) fromRuns(runs []run, offset, size uint64) ([]byte, error) {
	out := make([]byte, 0, size)
	for _, r := range runs {
		if most := n.volume.size / n.cluster; !r.hole && (r.at > most || r.count > most-r.at) || r.count > 1<<40 {
			return nil, errNTFS
		}
		here := r.count * n.cluster
		if offset >= here {
			offset -= here
			continue
		}
		part := min(size-uint64(len(out)), here-offset)
		if r.hole {
			out = append(out, make([]byte, part)...)
		} else {
			out = append(out, n.at(r.at*n.cluster+offset, part)...)
		}
		if offset = 0; uint64(len(out)) == size {
			return out, n.err
		}
	}
	return nil, errNTFS
}

// lookUp finds a name in the root folder and gives the reference of its file; 0
// when it is not there. All index blocks are looked through, also unused ones:
// a reference from there is refused when the file is another by now.
func (n *ntfsOf) lookUp(name string) (uint64, error) {
	attributes, err := n.attributes(ntfsRoot)
	if err != nil {
		return 0, err
	}
	root := find(attributes, ntfsIndexRoot)
	if root == nil || len(root.value) < 32 {
		return 0, errNTFS
	}
	blocks := find(attributes, ntfsIndexBlocks)
	if large := root.value[16+12]&1 != 0; find(attributes, ntfsElsewhere) != nil || large && blocks == nil {
		return 0, fmt.Errorf("%w: the root folder is in several records", errNTFS)
	}
	reference, err := n.among(root.value[16:], name)
	if reference != 0 || err != nil {
		return reference, err
	}
	if blocks == nil {
		return 0, nil
	}
	if blocks.size > ntfsIndexMost {
		return 0, fmt.Errorf("its root folder has %d bytes", blocks.size)
	}
	for at := uint64(0); at+n.index <= blocks.size; at += n.index {
		b, err := n.content(blocks, at, n.index)
		if err != nil {
			return 0, err
		}
		if string(b[:4]) != "INDX" {
			continue // never used
		}
		if !exchange(b) {
			return 0, errNTFS
		}
		if reference, err := n.among(b[24:], name); reference != 0 || err != nil {
			return reference, err
		}
	}
	return 0, nil
}

// among looks through the entries of one index block; b begins with the header
// of the entries.
func (n *ntfsOf) among(b []byte, name string) (uint64, error) {
	at, end := uint64(binary.LittleEndian.Uint32(b)), uint64(binary.LittleEndian.Uint32(b[4:]))
	if end > uint64(len(b)) {
		return 0, errNTFS
	}
	for at+16 <= end {
		e := b[at:end]
		length := uint64(binary.LittleEndian.Uint16(e[8:]))
		if length < 16 || length > uint64(len(e)) {
			return 0, errNTFS
		}
		if e[12]&2 != 0 { // the last entry
			return 0, nil
		}
		if length >= 16+66 {
			// The key is a $FILE_NAME: the length of its name is at 64.
			if units := uint64(e[16+64]); 16+66+2*units <= length && strings.EqualFold(wide(e[16+66:16+66+2*units], false), name) {
				if reference := binary.LittleEndian.Uint64(e); n.current(reference) {
					return reference, nil
				}
			}
		}
		at += length
	}
	return 0, errNTFS
}

// current tells whether a reference is to the file that its record now holds:
// the upper 16 bits count how often the record was used. What cannot be read is
// taken for current, so that it is not overlooked.
func (n *ntfsOf) current(reference uint64) bool {
	b, err := n.fromRuns(n.mft, reference&(1<<48-1)*n.record, n.record)
	if err != nil || string(b[:4]) != "FILE" {
		return true
	}
	return uint64(binary.LittleEndian.Uint16(b[16:])) == reference>>48 && binary.LittleEndian.Uint16(b[22:])&1 != 0
}
