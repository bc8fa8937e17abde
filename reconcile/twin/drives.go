package twin

import (
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
)

// mostDisks is how many a controller of each kind has: ports of QEMU's ich9-ahci,
// numbers of namespaces (hw/nvme/nvme.h, NVME_MAX_NAMESPACES); the others as the
// common practice has it.
var mostDisks = map[Kind]int{NVMe: 256, SATA: 6, ChipsetSATA: 6, SCSI: 8, USB: 4}

// Bounds of a drive: a file of ext4 is at most 16 TiB, and a size that is not known
// is small.
const (
	smallBytes = 64 << 20
	mostBytes  = 8 << 40
)

// disks copies what hangs on a controller.
func (c *copying) disks(f *facts.Function, p Part) []Disk {
	var disks []Disk
	lost := func(of, why string) { c.unlike.add("drive", of, why, "what lies on it") }
	if p.Kind == NVMe && f.NVMe == nil {
		return []Disk{c.recalled(f)}
	}
	if p.Kind == NVMe {
		seen := map[int]bool{}
		for _, n := range f.NVMe.Namespaces {
			if n.ID < 1 || n.ID > mostDisks[NVMe] || seen[n.ID] {
				lost(n.Block, "nothing: its number cannot be given to it")
				continue
			}
			seen[n.ID] = true
			d := Disk{File: fileOf(f, n.ID), Of: n.Block, Namespace: n.ID, SectorBytes: n.SectorBytes, SizeBytes: n.SizeBytes}
			disks = append(disks, c.filled(d, p.Kind, p.Own))
		}
		return disks
	}
	for i, b := range c.ix.Drives(f.Address) {
		if i >= mostDisks[p.Kind] {
			lost(b.Name, "nothing: its controller has no place for it")
			continue
		}
		d := Disk{File: fileOf(f, i+1), Of: b.Name, SectorBytes: b.SectorBytes, SizeBytes: b.SizeBytes}
		disks = append(disks, c.filled(d, p.Kind, false))
	}
	return disks
}

// fileOf names the file of a drive by where it is in the survey: nothing of a
// drive's own words becomes a path.
func fileOf(f *facts.Function, number int) string {
	return fmt.Sprintf("drive-%s-%d.img", strings.ReplaceAll(f.Address.String(), ":", "-"), number)
}

// filled bounds a drive's size, and copies what lies on it.
func (c *copying) filled(d Disk, kind Kind, own bool) Disk {
	if d.SectorBytes != 512 && (d.SectorBytes != 4096 || kind != NVMe && kind != SCSI) {
		c.unlike.add("sector", d.Of, "sectors of 512 bytes", "where sectors of another size do not fit")
		d.SectorBytes = 512
	}
	switch size := d.SizeBytes; {
	case size == 0:
		d.SizeBytes = smallBytes
	case size > mostBytes:
		d.SizeBytes = mostBytes
	default:
		d.SizeBytes -= size % d.SectorBytes
	}
	b := c.ix.Block(d.Of)
	if b == nil {
		return d
	}
	if d.SizeBytes != b.SizeBytes {
		c.unlike.add("size", d.Of, "one that a file can have", "what no longer fits, or fits only here")
	}
	if b.ReadOnly {
		c.unlike.add("read_only", d.Of, "one that can be written", "that writing it fails")
	}
	if own {
		c.unlike.add("content", d.Of, "the twin's own system", "orders that touch the drive of the host's own system")
		return d
	}
	c.names[d.Of] = true
	d.Table = c.table(&d, b)
	d.Holds = c.holds(b, d.SizeBytes)
	if d.Table != nil && d.Holds != nil {
		c.unlike.add("content", d.Of, "its partition table alone", "what a drive that is both does")
		d.Holds = nil
		delete(c.made, d.Of)
	}
	return d
}
