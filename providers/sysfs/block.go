package sysfs

import (
	"cmp"
	"context"
	"errors"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// blockClass has a link for each block device, partitions included.
const blockClass = "sys/class/block"

// unitBytes is the unit of sizes and starts in /sys, whatever the drive's own
// sectors are (Documentation/ABI/stable/sysfs-block).
const unitBytes = 512

// readBlocks reads every block device that matters, drives before what is on them,
// and of each that it is there.
func (s *survey) readBlocks(ctx context.Context) {
	s.blocks, s.blockDirs = map[string]int{}, map[string]string{}
	area := s.whole(blockClass)
	names, err := s.list(blockClass)
	if err != nil {
		area.gap("blocks", "", err)
	}
	for _, name := range names {
		dir, err := s.target(blockClass + "/" + name)
		if err != nil {
			area.gap("blocks", name, err)
			continue
		}
		s.blockDirs[name] = dir
	}
	chain := s.chain(names)
	looked := map[string]bool{}
	for queue := s.firstBlocks(names); len(queue) > 0; queue = queue[1:] {
		if ctx.Err() != nil {
			return
		}
		name := queue[0]
		if dir, there := s.blockDirs[name]; there && usable(name) == name && !looked[name] {
			looked[name] = true
			s.readBlock(name, dir)
			queue = append(queue, s.goesOn(chain, name)...)
		}
	}
	s.addHolders(chain)
	s.passOverBlocks(names, looked)
	s.addPaths()
	s.checkBlocks()
}

// readBlock reads one device and, first, the drive that it is part of.
func (s *survey) readBlock(name, dir string) {
	if _, done := s.blocks[name]; done {
		return
	}
	b := facts.Block{Name: name, Controller: facts.NearestFunction(dir)}
	p := place{&s.reader, dir, &b.Gaps}
	if b.Whole = s.wholeOf(dir); b.Whole != "" {
		s.readBlock(b.Whole, path.Dir(dir))
	}
	b.SizeBytes = unitBytes * p.number("size_bytes", "size", 10, 55)
	b.ReadOnly = p.text("read_only", "ro") == "1"
	if i, there := s.blocks[b.Whole]; there {
		readPartition(p, &b, &s.out.Blocks[i])
	} else {
		b.SectorBytes = p.number("sector_bytes", "queue/logical_block_size", 10, 32)
		readBuilt(p, &b)
	}
	if b.SizeBytes == 0 && b.Controller == nil && b.Mapper == nil && b.Array == "" && len(b.Gaps) == 0 {
		return // a loop, nbd or ram device with nothing in it
	}
	holders, err := s.list(dir + "/holders")
	if err != nil { // the kernel makes it for every device, so absence says nothing
		p.gap("holders", "holders", err)
	}
	b.Holders = holders
	s.readUdev(p, &b)
	s.blocks[name] = len(s.out.Blocks)
	s.out.Blocks = append(s.out.Blocks, b)
}

// wholeOf gives the drive of a partition, whose directory lies in that of its drive;
// empty for a whole one.
func (s *survey) wholeOf(dir string) string {
	if drive := path.Base(path.Dir(dir)); s.blockDirs[drive] == path.Dir(dir) {
		return drive
	}
	return ""
}

// readPartition reads what the kernel itself says of a partition; its sectors
// are those of the drive.
func readPartition(p place, b, drive *facts.Block) {
	b.SectorBytes = drive.SectorBytes
	p.share("sector_bytes", drive.Gaps, "sector_bytes")
	b.Partition = &facts.Partition{
		Number:     int(p.number("partition.number", "partition", 10, 31)),
		StartBytes: unitBytes * p.number("partition.start_bytes", "start", 10, 55),
	}
}

// readBuilt reads what device mapper, md and loop say of a device of theirs.
// The kernel keeps these names for them.
func readBuilt(p place, b *facts.Block) {
	switch {
	case strings.HasPrefix(b.Name, "dm-"):
		b.Mapper = &facts.Mapper{Name: p.text("mapper.name", "dm/name")}
		b.Mapper.UUID = p.text("mapper.uuid", "dm/uuid")
	case strings.HasPrefix(b.Name, "md"):
		b.Array = cmp.Or(p.text("array", "md/level"), "inactive")
	case strings.HasPrefix(b.Name, "loop"):
		b.BackingFile, _ = p.textIfAny("backing_file", "loop/backing_file") // absent: detached
	}
}

// readUdev reads the device's number and, under that, udev's record. Without a
// record the signature is not known, so the device may hold anything.
func (s *survey) readUdev(p place, b *facts.Block) {
	number, err := facts.ParseDevno(p.text("devno", "dev"))
	if b.Devno = number; err != nil {
		if !slices.ContainsFunc(b.Gaps, func(g facts.Gap) bool { return g.Fact == "devno" }) {
			p.gap("devno", "dev", err)
		}
		p.gap("signature", "dev", errors.New("without its number udev's record cannot be found"))
		return
	}
	record, err := s.udev(number)
	if err == nil {
		b.Links = record.links
		b.Signature, err = record.signature()
	}
	switch {
	case b.Partition == nil:
		b.PartitionTable = record.table()
	case err == nil:
		record.entry(b.Partition)
	default:
		b.Partition.Name = s.eventName(p)
	}
	if err != nil {
		record := place{&s.reader, "run/udev/data", &b.Gaps}
		record.gap("signature", "b"+number.String(), err)
	}
}

// eventName gives the GPT name that the kernel itself read, where udev cannot be
// asked; better than none in a message.
func (s *survey) eventName(p place) string {
	event, err := p.read(p.dir + "/uevent")
	if err != nil {
		return ""
	}
	for line := range strings.Lines(string(event)) {
		if name, found := strings.CutPrefix(strings.TrimSuffix(line, "\n"), "PARTNAME="); found {
			return name
		}
	}
	return ""
}
