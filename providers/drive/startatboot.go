package drive

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"golang.org/x/sys/unix"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/drive/windows"
	"lendkeep/reconcile/facts"
)

// StartAtBoot lets the NVMe driver of the Windows on a drive start at boot: numbers
// of its registry become 0 where they stand, once they are kept in Folder. It looks
// for them anew, and refuses whatever may be changed only by Windows itself. Called
// again after a cut-off it goes on, and keeps nothing anew.
func (ds Drives) StartAtBoot(ctx context.Context, d facts.Drive, keep string) error {
	return ds.with(ctx, d, "let the NVMe driver start at boot on drive", func(file *opened) error {
		words, err := file.startWords(ctx)
		if err != nil {
			return err
		}
		kept, err := ds.readKept(startName(keep), d)
		if err != nil {
			return err
		}
		if kept == nil {
			if kept = asPieces(words); len(kept) == 0 {
				return nil // it starts at boot already
			}
			if err := ds.writeKept(startName(keep), d, kept); err != nil {
				return err
			}
		}
		for _, p := range asPieces(words) {
			if !slices.ContainsFunc(kept, func(k piece) bool { return k.at == p.at }) {
				return fmt.Errorf("byte %d is to be changed, too, which was not kept", p.at)
			}
		}
		return file.exchange(ctx, words, kept, func([]byte) []byte { return []byte{0, 0, 0, 0} })
	})
}

// UndoStartAtBoot gives the numbers that StartAtBoot changed their old values back;
// where none were kept nothing was changed. It refuses where something else stands
// there now, as when Windows has moved or changed them since.
func (ds Drives) UndoStartAtBoot(ctx context.Context, d facts.Drive, keep string) error {
	kept, err := ds.readKept(startName(keep), d)
	if err != nil || kept == nil {
		return err
	}
	return ds.with(ctx, d, "put back when the NVMe driver starts on drive", func(file *opened) error {
		words, err := file.startWords(ctx)
		if err != nil {
			return err
		}
		return file.exchange(ctx, words, kept, func(old []byte) []byte { return old })
	})
}

// startName is the name of what is kept of a drive's Windows, beside its ends.
func startName(keep string) string { return keep + ".start" }

// asPieces gives those numbers that are not 0, as they stand on the drive.
func asPieces(words []windows.Word) (list []piece) {
	for _, w := range words {
		if w.Now != 0 {
			list = append(list, piece{w.At, binary.LittleEndian.AppendUint32(nil, w.Now)})
		}
	}
	return list
}

// startWords looks into the drive and gives the numbers that say when the NVMe
// driver starts, by their bytes on the drive.
func (o *opened) startWords(ctx context.Context) ([]windows.Word, error) {
	if err := fresh(o); err != nil {
		return nil, err
	}
	c := content.Read(o.File, o.device.Name, o.drive.SizeBytes, o.drive.SectorBytes, false)
	beside(ctx, o.File, &c)
	found := o.systems.on(ctx, o.File, &c)
	switch {
	case found == nil:
		return nil, errors.New("no installed system is seen on it")
	case found.Kind != "windows" || found.Partition == 0:
		return nil, fmt.Errorf("no Windows that can be told is seen on it: %s %s", found.Kind, found.Gap)
	}
	words, err := windows.Words(o.File, &c, found.Partition)
	if err != nil {
		return nil, fmt.Errorf("its registry stays as it is: %w", err)
	}
	return words, nil
}

// exchange writes other bytes in place of pieces that each are one of those
// numbers, and has either its kept or its other value. It reads back what is then
// on the drive, and looks again.
func (o *opened) exchange(ctx context.Context, words []windows.Word, kept []piece, next func(old []byte) []byte) error {
	for _, p := range kept {
		i := slices.IndexFunc(words, func(w windows.Word) bool { return w.At == p.at })
		if i < 0 || len(p.content) != 4 || words[i].Now != 0 && words[i].Now != binary.LittleEndian.Uint32(p.content) {
			return fmt.Errorf("something else stands at byte %d by now than what was kept", p.at)
		}
	}
	for _, p := range kept {
		if err := o.putWord(p.at, next(p.content)); err != nil {
			return err
		}
	}
	if err := o.settled(ctx); err != nil {
		return err
	}
	words, err := o.startWords(ctx)
	if err != nil {
		return fmt.Errorf("look again: %w", err)
	}
	for _, p := range kept {
		want := binary.LittleEndian.Uint32(next(p.content))
		if !slices.ContainsFunc(words, func(w windows.Word) bool { return w.At == p.at && w.Now == want }) {
			return fmt.Errorf("byte %d reads otherwise than it was written", p.at)
		}
	}
	return nil
}

// putWord changes four bytes of a sector, and reads the sector back past what the
// kernel remembers.
func (o *opened) putWord(at uint64, word []byte) error {
	sector := o.drive.SectorBytes
	from := at &^ (sector - 1)
	b := make([]byte, sector)
	if n, err := o.ReadAt(b, int64(from)); n < len(b) {
		return fmt.Errorf("read sector at %d: %w", from, err)
	}
	copy(b[at-from:], word)
	if _, err := o.WriteAt(b, int64(from)); err != nil {
		return fmt.Errorf("write sector at %d: %w", from, err)
	}
	if err := o.Sync(); err != nil {
		return fmt.Errorf("write sector at %d: %w", from, err)
	}
	return o.stands(b, from)
}

// stands compares a sector of the drive itself with what should be there.
func (o *opened) stands(want []byte, at uint64) error {
	past, err := direct(o.File)
	if err != nil {
		return err
	}
	defer past.Close() // only read
	// Direct reads take memory that is aligned.
	b, err := unix.Mmap(-1, 0, len(want), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANON)
	if err != nil {
		return fmt.Errorf("get memory: %w", err)
	}
	defer unix.Munmap(b) // its address is sound
	if n, err := past.ReadAt(b, int64(at)); n < len(b) {
		return fmt.Errorf("read sector at %d back: %w", at, err)
	}
	if string(b) != string(want) {
		return fmt.Errorf("the sector at %d does not read back as it was written", at)
	}
	return nil
}
