package facts

import (
	"fmt"
	"slices"
	"strings"
)

// Content is what a drive or an image holds, read from its own bytes. The
// kernel shows little of that and nothing of images.
type Content struct {
	Of          string     `json:"of"` // kernel name of a drive, or path of an image
	Image       bool       `json:"image,omitempty"`
	Format      string     `json:"format,omitempty"` // of an image, as it was read: "raw", "qcow2"
	SizeBytes   uint64     `json:"size_bytes"`       // of the disk that it is, not of the file
	DataBytes   uint64     `json:"data_bytes,omitempty"`
	SectorBytes uint64     `json:"sector_bytes"`         // logical; of an image 512
	Stamp       string     `json:"stamp,omitempty"`      // of an image: changes whenever a file of its chain is written
	Unfinished  string     `json:"unfinished,omitempty"` // of a drive: the copy that was begun and has not ended, by UnfinishedMark
	Blank       bool       `json:"blank,omitempty"`      // Bare, and a sample spread over all of it is zeroes
	EndsZero    bool       `json:"ends_zero,omitempty"`  // its first and its last MiB are zeroes
	Table       *Table     `json:"table,omitempty"`
	Signature   *Signature `json:"signature,omitempty"` // of the whole; beside a table it says that the drive is more than that
	Volumes     []Volume   `json:"volumes,omitempty"`   // in the sequence of the table's entries
	Gaps        []Gap      `json:"gaps,omitempty"`

	System *Installed `json:"system,omitempty"` // the installed system on it; nil: nobody looked, or there is none

	Behind []ImageFile `json:"behind,omitempty"` // of an image: the files that it is based on, the next one first
}

// ImageFile is one file of an image's chain, in the format in which the header
// above has it read.
type ImageFile struct {
	Path      string `json:"path"`
	Format    string `json:"format"`     // "raw", "qcow2"
	SizeBytes uint64 `json:"size_bytes"` // of the file
	Stamp     string `json:"stamp"`      // changes whenever it is written or another is put in its place
}

// Table is a partition table with everything that is needed to write it anew.
// Blocks are counted in sectors of the drive.
type Table struct {
	Kind        string  `json:"kind"`                   // "gpt" or "dos"
	ID          string  `json:"id,omitempty"`           // GPT disk id, lower case; of DOS eight hexadecimal digits
	FirstUsable uint64  `json:"first_usable,omitempty"` // GPT only, as the four below
	LastUsable  uint64  `json:"last_usable,omitempty"`
	BackupAt    uint64  `json:"backup_at,omitempty"` // where the primary header says that the other one is
	Primary     Header  `json:"primary,omitempty"`
	Backup      Header  `json:"backup,omitempty"` // of the one at BackupAt
	Stale       bool    `json:"stale,omitempty"`  // a header that is not the one at BackupAt stands in the last sector
	Entries     []Entry `json:"entries"`
}

// Header says what became of one of a GPT's two headers with its entries.
type Header string

// The zero value is of tables that have no such header.
const (
	Sound   Header = "sound"
	Damaged Header = "damaged" // a checksum is wrong, or it contradicts itself
	NoneAt  Header = "none"
)

// Entry is one partition of a table.
type Entry struct {
	Number     int    `json:"number"` // from 1
	First      uint64 `json:"first"`  // sector
	Last       uint64 `json:"last"`   // sector, inclusive
	ID         string `json:"id,omitempty"`
	Type       string `json:"type"` // GPT type id, lower case; of DOS two hexadecimal digits
	Name       string `json:"name,omitempty"`
	Attributes uint64 `json:"attributes,omitempty"` // GPT: bits of UEFI 2.10, table 5.8; DOS: 0x80 active
}

// Volume is what one partition holds.
type Volume struct {
	Number    int        `json:"number"` // of the table's entry
	Signature *Signature `json:"signature,omitempty"`
	Condition Condition  `json:"condition,omitempty"` // of a filesystem
	Why       string     `json:"why,omitempty"`       // on which marks that rests
	ESP       bool       `json:"esp,omitempty"`       // an EFI system partition
	Loaders   []string   `json:"loaders,omitempty"`   // EFI programs on it, with backslashes as spelled there
	Gap       string     `json:"gap,omitempty"`       // why it could not be read in full
}

// Condition is how a filesystem was left.
type Condition string

// Unknown marks are unknown, never clean. The zero value is of what has no
// such condition.
const (
	Clean         Condition = "clean"
	Dirty         Condition = "dirty"      // not unmounted, or a log to be replayed
	Hibernated    Condition = "hibernated" // a sleeping system will write to it
	UnsureIfClean Condition = "unknown"
)

// UnfinishedMark begins the first sector of a drive while a copy onto it is
// under way; what the order keeps it under follows, then a line feed. So half a
// copy is neither blank nor a system.
const UnfinishedMark = "lendkeep: unfinished copy "

// Holds tells whether a disk holds the system of an image: the table's own
// identity is the same. What the system has changed in its table since, as when
// it grew a partition, is its own matter.
func (c *Content) Holds(image *Content) bool {
	return c != nil && image != nil && c.Table != nil && image.Table != nil &&
		c.Table.ID != "" && c.Table.Kind == image.Table.Kind && c.Table.ID == image.Table.ID
}

// Bare tells whether nothing is seen on a disk: by no reader, and its ends are
// zeroes. That is how erasing leaves it; what lies between may still be there.
func (c *Content) Bare() bool {
	return c.Blank || c.EndsZero && c.Table == nil && c.Signature == nil && c.Unfinished == "" && len(c.Gaps) == 0
}

// Fallback is the loader that firmware starts from a drive without an entry of
// its own (UEFI 2.10, 3.5.1.1, x86-64).
const Fallback = `\EFI\BOOT\BOOTX64.EFI`

// DiskIdentifier gives the table's id; of no table it is empty.
func (t *Table) DiskIdentifier() string {
	if t == nil {
		return ""
	}
	return t.ID
}

// Entry gives the entry with that GPT name, or nil when none or several have it.
func (t *Table) Entry(name string) *Entry {
	var found *Entry
	for i := range t.Entries {
		if t.Entries[i].Name != name {
			continue
		}
		if found != nil {
			return nil
		}
		found = &t.Entries[i]
	}
	return found
}

// Span gives a partition's first byte and its size in bytes, in sectors of that size.
func (e Entry) Span(sectorBytes uint64) (startBytes, sizeBytes uint64) {
	return e.First * sectorBytes, (e.Last - e.First + 1) * sectorBytes
}

// Volume gives what the entry of that number holds, or nil.
func (c *Content) Volume(number int) *Volume {
	i := slices.IndexFunc(c.Volumes, func(v Volume) bool { return v.Number == number })
	if i < 0 {
		return nil
	}
	return &c.Volumes[i]
}

// Drive is a namespace of an NVMe controller by what it says of itself. Writers
// find and open it by that, never by a device name.
type Drive struct {
	Controller  string `json:"controller"` // name in the layout, for people
	Serial      string `json:"serial"`
	Namespace   int    `json:"namespace"`
	SizeBytes   uint64 `json:"size_bytes"`
	SectorBytes uint64 `json:"sector_bytes"`
}

// Source is an image that is copied, as it was when it was looked into.
type Source struct {
	Path      string `json:"path"`
	Format    string `json:"format"`
	SizeBytes uint64 `json:"size_bytes"`
	Stamp     string `json:"stamp,omitempty"` // of the image itself; empty in an order, since its guest may still write it

	Behind []ImageFile `json:"behind,omitempty"` // what it is based on, which nobody writes
}

// NewFilesystem is a filesystem that is to be made on a partition.
type NewFilesystem struct {
	Kind  string `json:"kind"` // "xfs", "ext4"
	UUID  string `json:"uuid"` // fixed beforehand, so that the result can be told from another
	Label string `json:"label"`
}

// LeastBytes is the smallest partition on which the kernel's programs make a
// filesystem: mkfs.xfs refuses smaller ones since xfsprogs 5.19 (mkfs/xfs_mkfs.c,
// validate_supported), mke2fs takes whatever holds its first groups.
func (n NewFilesystem) LeastBytes() uint64 {
	if n.Kind == "xfs" {
		return 300 << 20
	}
	return 1 << 20
}

// Content gives what was read of a drive (by its kernel name) or an image (by
// its path), or nil when nobody looked.
func (ix *Index) Content(of string) *Content { return ix.contents[of] }

// Describe says in words what is on a disk.
func (c *Content) Describe() string {
	switch {
	case c.Unfinished != "":
		return "a copy of lendkeep's that has not ended"
	case c.Table != nil && c.Signature != nil:
		return c.Signature.describe() + " as a whole, and in it " + c.describeTable()
	case c.Table != nil:
		return c.describeTable()
	case c.Signature != nil:
		return c.Signature.describe()
	case c.Blank:
		return "nothing"
	default:
		return "bytes of which nobody knows what they are"
	}
}

func (c *Content) describeTable() string {
	kind := "a partition table (MBR)"
	if c.Table.Kind == "gpt" {
		kind = "a partition table (GPT)"
	}
	var parts []string
	for _, e := range c.Table.Entries {
		text := fmt.Sprintf("partition %d", e.Number)
		if e.Name != "" {
			text += " " + e.Name
		}
		if v := c.Volume(e.Number); v != nil && v.Signature != nil {
			text += ", " + v.Signature.describe()
		}
		parts = append(parts, text)
	}
	if len(parts) == 0 {
		return kind + " without partitions"
	}
	return kind + " with " + strings.Join(parts, "; ")
}

func (s *Signature) describe() string {
	text := s.Kind
	if s.Label != "" {
		text += " " + fmt.Sprintf("%q", s.Label)
	}
	return text
}

// Has tells whether a guest has an image as a disk, or as a base of one.
func (ix *Index) Has(g *Guest, image string) bool {
	for _, d := range g.Definitions() {
		for _, disk := range d.Disks {
			if disk.Source != "" && ix.leadsTo(disk.Source, image) {
				return true
			}
		}
	}
	return false
}

// leadsTo follows an image to those below it, as addChain does.
func (ix *Index) leadsTo(from, image string) bool {
	for range 64 {
		if from == image || ix.resolved(from) == ix.resolved(image) {
			return true
		}
		p := ix.paths[from]
		if p == nil || p.Backing == "" {
			return false
		}
		from = p.Backing
	}
	return false
}

func (ix *Index) resolved(named string) string {
	if p := ix.paths[named]; p != nil && p.Resolved != "" {
		return p.Resolved
	}
	return named
}
