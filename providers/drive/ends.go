package drive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/drive/probe"
	"lendkeep/providers/formats/table"
	"lendkeep/reconcile/facts"
)

// endBytes is how much of either end of a drive tells what it holds: tables,
// and the marks of filesystems and arrays.
const endBytes = 1 << 20

// Clear makes both ends of a drive zeroes, and copies of its table and marks of
// what it is that lie elsewhere, once they are kept in Folder. Called again after a cut-off it goes
// on, and keeps nothing anew.
func (ds Drives) Clear(ctx context.Context, d facts.Drive, keep string) error {
	return ds.with(ctx, d, "clear drive", func(file *opened) error {
		kept, err := ds.readKept(keep, d)
		switch {
		case err != nil:
			return err
		case kept != nil:
			if err := unchanged(file, kept, d.SectorBytes); err != nil {
				return err
			}
		default:
			elsewhere, err := marked(ctx, file)
			if err != nil {
				return err
			}
			if kept, err = readEnds(file, d, elsewhere); err != nil {
				return err
			}
			if err := ds.writeKept(keep, d, kept); err != nil {
				return err
			}
		}
		for _, p := range kept {
			if _, err := file.WriteAt(make([]byte, len(p.content)), int64(p.at)); err != nil {
				return err
			}
		}
		return file.settled(ctx)
	})
}

// PutBack writes kept ends back; where none were kept nothing was cleared. The
// start of the drive is written last, so that its table shows only when all of
// it is there.
func (ds Drives) PutBack(ctx context.Context, d facts.Drive, keep string) error {
	kept, err := ds.readKept(keep, d)
	if err != nil || kept == nil {
		return err
	}
	return ds.with(ctx, d, "put ends back on drive", func(file *opened) error {
		for _, p := range slices.Backward(kept) {
			if _, err := file.WriteAt(p.content, int64(p.at)); err != nil {
				return err
			}
			if err := file.Sync(); err != nil {
				return err
			}
		}
		return file.settled(ctx)
	})
}

// with does something with a drive that nobody else has meanwhile. What it is, in
// words, and of which drive, is part of its error.
func (ds Drives) with(ctx context.Context, d facts.Drive, what string, do func(*opened) error) error {
	file, err := ds.openDrive(ctx, d, 0)
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	if err := errors.Join(do(file), file.Close()); err != nil {
		return fmt.Errorf("%s %s (%s): %w", what, d.Serial, file.device.Name, err)
	}
	return nil
}

// piece is a part of a drive.
type piece struct {
	at      uint64 // byte
	content []byte
}

// marked gives the bytes, each time the first and the one behind, around every
// mark that wipefs lists, and second headers of encryption, which it lists only
// once the first is gone: what an array keeps may lie outside both ends.
func marked(ctx context.Context, file *opened) ([][2]uint64, error) {
	marks, err := probe.Wipefs(ctx, file.File)
	if err != nil {
		return nil, fmt.Errorf("see what marks the drive: %w", err)
	}
	headers, err := content.SecondHeaders(file.File, file.drive.SizeBytes)
	if err != nil {
		return nil, err
	}
	var spans [][2]uint64
	for _, at := range headers {
		spans = append(spans, [2]uint64{at, at + 1})
	}
	for _, m := range marks {
		spans = append(spans, [2]uint64{m.At, m.At + max(m.Bytes, 1)})
	}
	return spans, nil
}

// readEnds reads what Clear clears, in the sequence of the drive, without
// overlaps: its ends, its table, and what is elsewhere, by whole blocks.
func readEnds(r io.ReaderAt, d facts.Drive, elsewhere [][2]uint64) ([]piece, error) {
	copies, err := table.Copies(r, d.SizeBytes, d.SectorBytes)
	if err != nil {
		return nil, err
	}
	spans := [][2]uint64{{0, min(d.SizeBytes, endBytes)}, {d.SizeBytes - min(d.SizeBytes, endBytes), d.SizeBytes}}
	for _, c := range copies {
		spans = append(spans, [2]uint64{c[0] * d.SectorBytes, (c[1] + 1) * d.SectorBytes})
	}
	const block = 4096 // a multiple of every sector
	for _, e := range elsewhere {
		if e[0] < d.SizeBytes {
			spans = append(spans, [2]uint64{e[0] &^ (block - 1), min((e[1]+block-1)&^(block-1), d.SizeBytes)})
		}
	}
	slices.SortFunc(spans, func(a, b [2]uint64) int { return slices.Compare(a[:], b[:]) })
	var list []piece
	var end uint64 // of what is read so far
	for _, s := range spans {
		if s[0] = max(s[0], end); s[0] >= s[1] {
			continue
		}
		p := piece{s[0], make([]byte, s[1]-s[0])}
		if n, err := r.ReadAt(p.content, int64(p.at)); n < len(p.content) {
			return nil, fmt.Errorf("read %d bytes at %d: %w", len(p.content), p.at, err)
		}
		list, end = append(list, p), s[1]
	}
	return list, nil
}

// unchanged says where a drive has neither what is kept of it nor zeroes: what
// was written there since would be lost without a copy.
func unchanged(r io.ReaderAt, kept []piece, sector uint64) error {
	for _, p := range kept {
		now := make([]byte, len(p.content))
		if n, err := r.ReadAt(now, int64(p.at)); n < len(now) {
			return err
		}
		for at := uint64(0); at < uint64(len(now)); at += sector {
			end := min(at+sector, uint64(len(now)))
			if b := now[at:end]; !bytes.Equal(b, p.content[at:end]) && !bytes.Equal(b, make([]byte, len(b))) {
				return fmt.Errorf("something else was written at byte %d since its ends were kept", p.at+at)
			}
		}
	}
	return nil
}
