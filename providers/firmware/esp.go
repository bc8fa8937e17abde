package firmware

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/diskfs/go-diskfs/partition/gpt"
)

// Bounds for a disk's table and for what is looked at on one system partition.
const (
	tableEntriesMost = 1024 // partitions; 128 is usual
	tableEntrySize   = 128  // the only size that the library reads
	loadersMost      = 200
	foldersMost      = 500  // read on one partition
	loaderHeader     = 4096 // bytes of a loader that are looked at
)

// Loader is a program on an EFI system partition.
type Loader struct {
	Path    string // with backslashes, as it is spelled on the disk
	Bytes   int64
	Machine uint16 // of its PE header, 0x8664 for x86-64; 0: no EFI program
}

// ESP is an EFI system partition and what can be started from it.
type ESP struct {
	Partition Partition
	Loaders   []Loader
	Gap       string // why it could not be read in full; then a loader that is not listed may be there
}

// Loader gives the loader at a path in any spelling, or nil: FAT does not tell
// upper from lower case.
func (e ESP) Loader(path string) *Loader {
	for i := range e.Loaders {
		if strings.EqualFold(e.Loaders[i].Path, path) {
			return &e.Loaders[i]
		}
	}
	return nil
}

// ReadESPs finds the EFI system partitions of a disk of the given size in
// bytes, whose logical blocks have sector bytes, and the programs in the
// folders of their \EFI. The disk is only read. An error means that the
// partition table could not be read.
func ReadESPs(r io.ReaderAt, size int64, sector int) ([]ESP, error) {
	table, err := readTable(&storage{reader: r, size: size}, sector)
	if err != nil {
		return nil, fmt.Errorf("read partition table: %w", err)
	}
	var list []ESP
	for _, p := range table.Partitions {
		if p.Type != gpt.EFISystemPartition {
			continue
		}
		esp := ESP{Partition: Partition{Number: p.Index, First: p.Start, Sectors: p.End - p.Start + 1}}
		if esp.Partition.ID, err = ParseGUID(p.GUID); err != nil {
			return nil, fmt.Errorf("read partition table: %w", err)
		}
		if blocks := uint64(size) / uint64(sector); p.Start > p.End || p.End >= blocks {
			esp.Gap = fmt.Sprintf("it spans blocks %d to %d of %d", p.Start, p.End, blocks)
		} else if err := esp.read(r, int64(sector)); err != nil {
			esp.Gap = err.Error()
		}
		list = append(list, esp)
	}
	return list, nil
}

// readTable reads the GPT once the sizes in its headers are known to be sane,
// which the library does not ask; its panics become errors.
func readTable(disk *storage, sector int) (table *gpt.Table, err error) {
	defer func() {
		if cause := recover(); cause != nil {
			table, err = nil, fmt.Errorf("damaged table: %v", cause)
		}
	}()
	if sector != 512 && sector != 4096 {
		return nil, fmt.Errorf("logical blocks of %d bytes", sector)
	}
	last := disk.size/int64(sector) - 1
	if last < 3 {
		return nil, fmt.Errorf("disk of %d bytes", disk.size)
	}
	var found bool
	for _, block := range []int64{1, last} { // primary and backup header
		b := make([]byte, sector)
		if err := readFull(disk, b, block*int64(sector)); err != nil {
			return nil, err
		}
		if !bytes.HasPrefix(b, []byte("EFI PART")) {
			continue
		}
		found = true
		at, count, entry := binary.LittleEndian.Uint64(b[72:]), binary.LittleEndian.Uint32(b[80:]), binary.LittleEndian.Uint32(b[84:])
		if entry != tableEntrySize || count > tableEntriesMost || at > uint64(last) {
			return nil, fmt.Errorf("table of %d entries of %d bytes at block %d", count, entry, at)
		}
	}
	if !found {
		return nil, errors.New("no GPT")
	}
	return gpt.Read(disk, sector, sector)
}

// read lists the programs below \EFI.
func (e *ESP) read(r io.ReaderAt, sector int64) error {
	size := int64(e.Partition.Sectors) * sector
	volume, err := openFAT(io.NewSectionReader(r, int64(e.Partition.First)*sector, size), size)
	if err != nil {
		return fmt.Errorf("filesystem: %w", err)
	}
	root, err := volume.root()
	if err != nil {
		return fmt.Errorf("root folder: %w", err)
	}
	top := slices.IndexFunc(root, func(f fatFile) bool { return f.folder && strings.EqualFold(f.name, "EFI") })
	if top < 0 {
		return nil
	}
	search := &loaderSearch{volume: volume, found: &e.Loaders}
	return search.folder(`\`+root[top].name, root[top].cluster, 2)
}

// loaderSearch looks for programs on one volume.
type loaderSearch struct {
	volume  *fatVolume
	found   *[]Loader
	folders int // read so far
}

// folder looks through one folder and those in it, down to some depth:
// Windows' loader lies two below \EFI.
func (s *loaderSearch) folder(path string, cluster uint32, depth int) error {
	if s.folders++; s.folders > foldersMost {
		return fmt.Errorf("more than %d folders", foldersMost)
	}
	files, err := s.volume.list(cluster)
	if err != nil {
		return fmt.Errorf("folder %s: %w", path, err)
	}
	for _, f := range files {
		inner := path + `\` + f.name
		switch {
		case f.name == "." || f.name == "..":
		case f.folder && depth > 0:
			if err := s.folder(inner, f.cluster, depth-1); err != nil {
				return err
			}
		case !f.folder && strings.HasSuffix(strings.ToLower(f.name), ".efi"):
			if err := s.file(inner, f); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s *loaderSearch) file(path string, f fatFile) error {
	if len(*s.found) == loadersMost {
		return fmt.Errorf("more than %d programs", loadersMost)
	}
	loader, err := s.volume.loader(path, f)
	if err != nil {
		return fmt.Errorf("file %s: %w", path, err)
	}
	*s.found = append(*s.found, loader)
	return nil
}

// loader looks at a program's header.
func (v *fatVolume) loader(path string, f fatFile) (Loader, error) {
	loader := Loader{Path: path, Bytes: f.size}
	if f.size == 0 {
		return loader, nil
	}
	b, err := v.read(f.cluster, min(f.size, loaderHeader), false)
	if err != nil {
		return loader, err
	}
	loader.Machine = machineOf(b)
	return loader, nil
}
