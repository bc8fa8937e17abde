package facts

import (
	"cmp"
	"fmt"
	"slices"
)

// Room is the place of an image that is made of the system on a drive.
type Room struct {
	Path       string `json:"path"`                 // of the image
	FreeBytes  uint64 `json:"free_bytes"`           // what may still be written on the filesystem of its folder
	Unfinished bool   `json:"unfinished,omitempty"` // PartOf(Path) is there
	From       string `json:"from,omitempty"`       // serial of the drive of which lendkeep made the file that is at Path; empty: it did not make it, or nothing is there
	Gap        string `json:"gap,omitempty"`        // why the rest is not known
}

// PartOf gives the path where an image lies while it is made.
func PartOf(image string) string { return image + ".lendkeep-part" }

// Room gives the place of an image, or nil when nobody looked.
func (ix *Index) Room(image string) *Room {
	i := slices.IndexFunc(ix.Survey.Rooms, func(r Room) bool { return r.Path == image })
	if i < 0 {
		return nil
	}
	return &ix.Survey.Rooms[i]
}

// NewImage is an image that is to be made of some partitions of a drive. What is
// on no partition of its table is zeroes, whatever the drive has there.
type NewImage struct {
	Path      string `json:"path"`
	Format    string `json:"format"`     // "raw", "qcow2"
	SizeBytes uint64 `json:"size_bytes"` // of the disk that it is, a multiple of 1 MiB
	Table     Table  `json:"table"`      // the drive's, with its backup where the image ends
}

// Of a GPT with 128 entries in sectors of 512 bytes (UEFI 2.10, 5.3.2): how many
// sectors are in front of and behind what partitions may have.
const (
	imageSector  = 512
	tableHead    = 34
	tableTail    = 33
	imageEntries = 128
	imageGrain   = 1 << 20 / imageSector
)

// ImageOf gives the image that partitions of a drive's table become: each stays at
// its place, and the image ends behind the last. An error says why a table is not
// taken apart.
func ImageOf(path, format string, of Table, carried []Entry) (NewImage, error) {
	made := NewImage{Path: path, Format: format, Table: of}
	made.Table.Entries = slices.SortedFunc(slices.Values(carried), func(a, b Entry) int { return cmp.Compare(a.Number, b.Number) })
	if of.Kind != "gpt" || of.Primary != Sound || of.Backup != Sound || of.Stale {
		return made, fmt.Errorf("its partition table is no sound GPT")
	}
	if len(carried) == 0 {
		return made, fmt.Errorf("no partition is left to be copied")
	}
	var end uint64
	for i, e := range made.Table.Entries {
		switch {
		case e.Number < 1 || e.Number > imageEntries:
			return made, fmt.Errorf("its table has an entry %d, and only %d fit", e.Number, imageEntries)
		case e.First < of.FirstUsable || e.First > e.Last || e.Last > of.LastUsable || of.FirstUsable < tableHead:
			return made, fmt.Errorf("partition %d is not where partitions may be", e.Number)
		case !slices.Contains(of.Entries, e):
			return made, fmt.Errorf("partition %d is none of the drive's", e.Number)
		}
		for _, other := range of.Entries {
			if other != e && e.First <= other.Last && other.First <= e.Last {
				return made, fmt.Errorf("partitions %d and %d share sectors", e.Number, other.Number)
			}
		}
		if i > 0 && made.Table.Entries[i-1].Number == e.Number {
			return made, fmt.Errorf("partition %d is there twice", e.Number)
		}
		end = max(end, e.Last)
	}
	sectors := (end + 1 + tableTail + imageGrain - 1) / imageGrain * imageGrain
	made.SizeBytes = sectors * imageSector
	made.Table.BackupAt, made.Table.LastUsable = sectors-1, sectors-1-tableTail
	return made, nil
}

// MostBytes is what the image takes up at most: all of its partitions, and what a
// qcow2 file needs to say where they are (QEMU docs/interop/qcow2.txt: 8 bytes of an
// L2 table and 2 of a refcount block for each cluster of 64 KiB).
func (n NewImage) MostBytes() uint64 {
	sum := uint64(4 << 20)
	for _, e := range n.Table.Entries {
		_, size := e.Span(imageSector)
		sum += size
	}
	return sum + n.SizeBytes/4096
}

// Left gives the partitions of a drive's table that are not copied.
func (n NewImage) Left(of Table) []Entry {
	var list []Entry
	for _, e := range of.Entries {
		if !slices.Contains(n.Table.Entries, e) {
			list = append(list, e)
		}
	}
	return list
}

// UsesBut lists the uses of a function and its drives but those of partitions that
// do not matter, by number, each on the only drive of the function. What is built on
// a partition that matters and on another one counts.
func (ix *Index) UsesBut(at Address, numbers []int) []Use {
	var list []Use
	spared := map[string]bool{}
	for _, drive := range ix.tops[at] {
		for _, part := range ix.parts[drive.Name] {
			if part.Partition != nil && slices.Contains(numbers, part.Partition.Number) {
				spared[part.title()] = true
				continue
			}
			chain := []string{at.String(), drive.title(), part.title()}
			for _, holder := range part.Holders {
				list = append(list, Use{Kind: UseHolder, User: holder, Chain: chain, Live: true})
			}
			if part.Exclusive == HeldBySomeone {
				list = append(list, Use{Kind: UseUnknown, User: "somebody whom the kernel does not name", Chain: chain, Live: true})
			}
		}
	}
	for _, use := range ix.Uses(at) {
		if len(use.Chain) < 3 || !spared[use.Chain[2]] {
			list = append(list, use)
		}
	}
	return list
}
