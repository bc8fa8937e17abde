package image

import (
	"fmt"
	"math/bits"

	"lendkeep/providers/formats/qcow2"
)

// qcow2Layer is a qcow2 file with what is behind it.
type qcow2Layer struct {
	qcow2.Header
	path    string
	file    File
	end     int64 // of the file
	backing layer // nil: none
	tables  *tables
	number  int // in the chain
}

func (q *qcow2Layer) sizeBytes() int64 { return q.SizeBytes }

// Bits of table entries.
const (
	entryOffset     = 0x00fffffffffffe00
	entryCompressed = 1 << 62
	entryZero       = 1 // version 3
)

// piece goes on over neighbouring clusters as long as they are found in the
// same way, and asks what is behind where this file has nothing.
func (q *qcow2Layer) piece(offset, max int64, holes bool) (piece, error) {
	found, err := q.look(offset)
	if err != nil {
		return piece{}, err
	}
	if found.kind == unallocated && q.backing != nil {
		// What is behind may come in small pieces: do not look far for each.
		max = min(max, 16*q.Cluster())
	}
	for found.length < max && found.kind != compressed {
		next, err := q.look(offset + found.length)
		if err != nil {
			return piece{}, err
		}
		if next.kind != found.kind || next.kind == data && next.host != found.host+found.length {
			break
		}
		found.length += next.length
	}
	found.length = min(found.length, max)
	switch {
	case found.kind == data && holes:
		return found.orHole(), nil
	case found.kind != unallocated:
		return found, nil
	}
	if q.backing == nil || offset >= q.backing.sizeBytes() {
		return piece{kind: zero, length: found.length}, nil
	}
	return q.backing.piece(offset, min(found.length, q.backing.sizeBytes()-offset), holes)
}

// look tells how this file alone has the disk at an offset, up to the end of
// the cluster, of the part of a cluster, or of the L2 table that is not there.
func (q *qcow2Layer) look(offset int64) (piece, error) {
	span := q.L2Span()
	if offset >= q.SizeBytes { // the last cluster may stand out over the end
		return piece{kind: unallocated, length: q.Cluster()}, nil
	}
	first, err := q.tables.entry(q, q.L1At+offset/span*8)
	if err != nil {
		return piece{}, fmt.Errorf("L1 table: %w", err)
	}
	table := int64(first & entryOffset)
	if table == 0 {
		return piece{kind: unallocated, length: span - offset%span}, nil
	}
	if table%q.Cluster() != 0 || table > q.end-q.Cluster() {
		return piece{}, fmt.Errorf("%s: its L1 table is damaged: it puts an L2 table at byte %d (qemu-img check tells more)", q.path, table)
	}
	at := table + offset%span/q.Cluster()*q.EntryBytes()
	entry, err := q.tables.entry(q, at)
	if err != nil {
		return piece{}, fmt.Errorf("L2 table: %w", err)
	}
	return q.describe(offset, entry, at)
}

// describe reads one entry of an L2 table.
func (q *qcow2Layer) describe(offset int64, entry uint64, at int64) (piece, error) {
	inside := offset % q.Cluster()
	found := piece{length: q.Cluster() - inside, file: q.file}
	if entry&entryCompressed != 0 {
		found.kind, found.from, found.entry, found.inside = compressed, q, entry, inside
		return found, nil
	}
	host := int64(entry & entryOffset)
	if host%q.Cluster() != 0 || host >= q.end && host != 0 || entry&entryZero != 0 && (q.Version == 2 || q.Extended) {
		return found, fmt.Errorf("%s: its L2 table is damaged: entry %#x at byte %d (qemu-img check tells more)", q.path, entry, at)
	}
	found.host = host + inside
	switch {
	case q.Extended:
		return q.part(found, host, inside, at)
	case entry&entryZero != 0:
		found.kind = zero
	case host != 0:
		found.kind = data
	}
	return found, nil
}

// part reads the bits for the 32 parts of a cluster: the low half says which
// are there, the high half which are zeroes.
func (q *qcow2Layer) part(found piece, host, inside, at int64) (piece, error) {
	entry, err := q.tables.entry(q, at+8)
	if err != nil {
		return found, fmt.Errorf("L2 table: %w", err)
	}
	there, zeroes := uint32(entry), uint32(entry>>32)
	if there&zeroes != 0 || there != 0 && host == 0 {
		return found, fmt.Errorf("%s: its L2 table is damaged: bits %#x at byte %d (qemu-img check tells more)", q.path, entry, at+8)
	}
	size := q.Cluster() / 32
	number := inside / size
	which := ^(there | zeroes) // of the parts that are neither
	switch {
	case there>>number&1 != 0:
		found.kind, which = data, there
	case zeroes>>number&1 != 0:
		found.kind, which = zero, zeroes
	}
	alike := int64(bits.TrailingZeros32(^(which >> number))) // as many in sequence
	found.length = min(found.length, (number+alike)*size-inside)
	return found, nil
}
