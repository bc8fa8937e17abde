package twin

import (
	"regexp"
	"slices"
	"strings"
	"unicode/utf16"

	"lendkeep/reconcile/facts"
)

// form is what can be said of what is made on a device.
type form struct {
	label      int            // longest label in bytes; 0: it has none of its own
	uuid       *regexp.Regexp // of its identifier
	least      uint64         // bytes that it takes at least
	filesystem bool
}

var (
	uuidShape = regexp.MustCompile(`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)
	fatShape  = regexp.MustCompile(`^[0-9A-F]{4}-[0-9A-F]{4}$`)
	lvmShape  = regexp.MustCompile(`^[0-9A-Za-z]{6}(-[0-9A-Za-z]{4}){5}-[0-9A-Za-z]{6}$`)
)

// forms lists what the machine's own programs make, by udev's names; of any other
// kind it is told. Labels: mkfs.xfs(8), mke2fs(8), mkfs.fat(8), mkswap(8),
// cryptsetup(8); sizes measured with xfsprogs 6.1.0 (--unsupported) and mdadm 4.2.
var forms = map[string]form{
	"xfs":               {12, uuidShape, 32 << 20, true},
	"ext2":              {16, uuidShape, 1 << 20, true},
	"ext3":              {16, uuidShape, 4 << 20, true},
	"ext4":              {16, uuidShape, 4 << 20, true},
	"vfat":              {11, fatShape, 1 << 20, true},
	"swap":              {15, uuidShape, 1 << 20, false},
	"LVM2_member":       {0, lvmShape, 8 << 20, false},
	"linux_raid_member": {0, uuidShape, 8 << 20, false},
	"crypto_LUKS":       {0, uuidShape, 32 << 20, false},
}

// holds gives what is made on a device that is copied; nil: nothing.
func (c *copying) holds(b *facts.Block, sizeBytes uint64) *facts.Signature {
	if b.Signature == nil {
		return nil
	}
	s := facts.Signature{Kind: b.Signature.Kind, Label: b.Signature.Label, UUID: b.Signature.UUID}
	f, known := forms[s.Kind]
	if !known || sizeBytes < f.least {
		c.unlike.add("content", b.Name, "nothing: what is there is of a kind, or size, that the twin cannot make", "that it is there")
		return nil
	}
	if s.UUID != "" && !f.uuid.MatchString(s.UUID) {
		c.unlike.add("uuid", b.Name, "another identifier", "what finds it by that")
		s.UUID = ""
	}
	if s.Label != "" && (len(s.Label) > f.label || !printable(s.Label)) {
		c.unlike.add("label", b.Name, "no label", "what finds it by that")
		s.Label = ""
	}
	c.made[b.Name] = s.Kind
	return &s
}

// printable tells whether a text has nothing that could act where it is shown, and
// nothing that programs which make filesystems refuse.
func printable(text string) bool {
	return strings.IndexFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\ufffd' || r > 0xffff }) < 0
}

// table copies a drive's partitions; nil: it has no table that is made.
func (c *copying) table(d *Disk, b *facts.Block) *Table {
	parts := slices.Clone(c.ix.Partitions(b.Name))
	if b.PartitionTable == nil && len(parts) == 0 {
		return nil
	}
	kind, id := "gpt", ""
	if b.PartitionTable != nil {
		kind, id = b.PartitionTable.Kind, b.PartitionTable.ID
	}
	return c.tableOf(d, kind, id, parts)
}

// tableOf makes a table of partitions.
func (c *copying) tableOf(d *Disk, kind, id string, parts []*facts.Block) *Table {
	t := &Table{Kind: kind, ID: id}
	if t.Kind != "gpt" {
		c.unlike.add("partition_table", d.Of, "none: the twin makes only a GPT", "what lies in its partitions")
		return nil
	}
	if t.ID != "" && !uuidShape.MatchString(t.ID) {
		c.unlike.add("partition_table", d.Of, "another identifier", "what finds it by that")
		t.ID = ""
	}
	slices.SortFunc(parts, func(a, b *facts.Block) int { return numberOf(a) - numberOf(b) })
	for i, part := range c.placed(d, parts) {
		lower := parts[i]
		if part.Number < 1 || part.Number > 128 || !inside(d, t, part) {
			c.unlike.add("partition", lower.Name, "none: it cannot be where it says", "what lies in it")
			continue
		}
		c.names[lower.Name] = true
		part.Holds = c.holds(lower, part.SizeBytes)
		t.Partitions = append(t.Partitions, c.worded(part))
	}
	return t
}

func numberOf(b *facts.Block) int {
	if b.Partition == nil {
		return 0
	}
	return b.Partition.Number
}

// placed gives the entries of partitions. Where a survey does not say how large one
// is, all share the drive evenly.
func (c *copying) placed(d *Disk, parts []*facts.Block) []Partition {
	list := make([]Partition, len(parts))
	known := true
	for i, b := range parts {
		if list[i].Of, list[i].SizeBytes = b.Name, b.SizeBytes; b.Partition != nil {
			list[i].Partition = *b.Partition
		}
		known = known && b.SizeBytes > 0
	}
	if known {
		return list
	}
	c.unlike.add("partition", d.Of, "partitions of the same size: theirs are not known", "what no longer fits, or fits only here")
	const mib = 1 << 20
	share := (d.SizeBytes - min(d.SizeBytes, 2*mib)) / uint64(len(parts)) / mib * mib
	for i := range list {
		list[i].StartBytes, list[i].SizeBytes = mib+uint64(i)*share, share
	}
	return list
}

// inside tells whether a partition lies where a GPT can have one, beside those
// before it: 34 sectors in front and 33 behind are the table's, of 4096 bytes 6 and
// 5 (UEFI 2.10, 5.3.1).
func inside(d *Disk, t *Table, p Partition) bool {
	front, back := 16<<10+2*d.SectorBytes, 16<<10+d.SectorBytes
	if d.SizeBytes < front+back || p.SizeBytes == 0 || p.StartBytes%d.SectorBytes != 0 || p.SizeBytes%d.SectorBytes != 0 {
		return false
	}
	end := d.SizeBytes - back
	if p.StartBytes < front || p.SizeBytes > end || p.StartBytes > end-p.SizeBytes {
		return false
	}
	return !slices.ContainsFunc(t.Partitions, func(q Partition) bool {
		return q.Number == p.Number || p.StartBytes < q.StartBytes+q.SizeBytes && q.StartBytes < p.StartBytes+p.SizeBytes
	})
}

// worded leaves out what of an entry's words cannot be written.
func (c *copying) worded(p Partition) Partition {
	for _, id := range []*string{&p.ID, &p.Type} {
		if *id != "" && !uuidShape.MatchString(*id) {
			c.unlike.add("partition", p.Of, "other identifiers", "what finds it by those")
			*id = ""
		}
	}
	if len(utf16.Encode([]rune(p.Name))) > 36 || !printable(p.Name) {
		c.unlike.add("partition", p.Of, "no name", "what finds it by that")
		p.Name = ""
	}
	return p
}
