package drive

import (
	"cmp"
	"io"
	"slices"

	"lendkeep/providers/formats/table"
	"lendkeep/reconcile/facts"
)

// write writes what the image begins and ends with. The boot code in front of the
// table is the system's own.
func (s *outgoing) write() error {
	s.front, s.back = make([]byte, frontBytes), make([]byte, backBytes)
	if _, err := s.drive.ReadAt(s.front[:bootBytes], 0); err != nil {
		return err
	}
	return table.Write(sheet{s}, s.made.SizeBytes, imageSector, nil, &s.made.Table)
}

// sheet is the image as its table is written, in memory: nothing but both ends.
type sheet struct{ *outgoing }

// ReadAt implements table.Disk, as do the methods below.
func (s sheet) ReadAt(p []byte, offset int64) (int, error) {
	clear(p)
	s.ends(offset, int64(len(p)), func(at int64, end []byte) { copy(p[at:], end) })
	return len(p), nil
}

// WriteAt implements table.Disk.
func (s sheet) WriteAt(p []byte, offset int64) (int, error) {
	done := 0
	s.ends(offset, int64(len(p)), func(at int64, end []byte) { done += copy(end, p[at:]) })
	if done < len(p) {
		return done, io.ErrShortWrite
	}
	return done, nil
}

// Sync implements table.Disk.
func (s sheet) Sync() error { return nil }

// ends gives the parts of both ends that are within a stretch, and where in it.
func (s *outgoing) ends(offset, length int64, do func(at int64, part []byte)) {
	for _, end := range []struct {
		at   int64
		part []byte
	}{{0, s.front}, {int64(s.made.SizeBytes) - backBytes, s.back}} {
		from, to := max(offset, end.at), min(offset+length, end.at+int64(len(end.part)))
		if from < to {
			do(from-offset, end.part[from-end.at:to-end.at])
		}
	}
}

// spans gives, in the sequence of the disk, the bytes that are no zeroes by nature.
func (s *outgoing) spans() [][2]int64 {
	list := [][2]int64{{0, frontBytes}}
	for _, e := range byPlace(s.made.Table.Entries) {
		list = append(list, [2]int64{int64(e.First) * imageSector, int64(e.Last+1) * imageSector})
	}
	return append(list, [2]int64{int64(s.made.SizeBytes) - backBytes, int64(s.made.SizeBytes)})
}

// byPlace gives entries in the sequence of the disk.
func byPlace(entries []facts.Entry) []facts.Entry {
	return slices.SortedFunc(slices.Values(entries), func(a, b facts.Entry) int { return cmp.Compare(a.First, b.First) })
}
