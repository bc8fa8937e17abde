package sysfs

import (
	"cmp"
	"errors"
	"maps"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// addHolders makes a holder of every device that names another as its slave:
// the two directories say the same, and either may be missing from a capture.
func (s *survey) addHolders(c chain) {
	for i := range s.out.Blocks {
		built := &s.out.Blocks[i]
		if built.Whole != "" {
			continue
		}
		p := place{&s.reader, s.blockDirs[built.Name], &built.Gaps}
		slaves, listed := c.slaves[built.Name]
		var err error
		if !listed {
			slaves, err = s.list(p.dir + "/slaves")
		}
		if err != nil && (built.Mapper != nil || built.Array != "") {
			p.gap("holders", "slaves", err)
		}
		for _, slave := range slaves {
			j, there := s.blocks[slave]
			if there && !slices.Contains(s.out.Blocks[j].Holders, built.Name) {
				s.out.Blocks[j].Holders = append(s.out.Blocks[j].Holders, built.Name)
				slices.Sort(s.out.Blocks[j].Holders)
			}
		}
	}
}

// addPaths hangs each namespace that has several paths on the first of its
// controllers, and stands for it on the others with the hidden path device, of
// which it is the holder: so the uses of each of them are found.
func (s *survey) addPaths() {
	hidden := map[string][]facts.Block{}
	for name, dir := range s.blockDirs {
		if usable(name) != name {
			b := facts.Block{Name: name, Controller: facts.NearestFunction(dir), Holders: []string{usable(name)}}
			hidden[usable(name)] = append(hidden[usable(name)], b)
		}
	}
	for _, head := range slices.Sorted(maps.Keys(hidden)) {
		paths := hidden[head]
		slices.SortFunc(paths, func(a, b facts.Block) int { return cmp.Compare(a.Name, b.Name) })
		i, there := s.blocks[head]
		if !there {
			area := s.whole(blockClass)
			area.gap("blocks", head, errors.New("only paths to it are listed"))
			continue
		}
		s.out.Blocks[i].Controller = paths[0].Controller
		for _, part := range s.partitionsOf(head) {
			part.Controller = paths[0].Controller
		}
		for _, other := range paths[1:] {
			other.SizeBytes, other.SectorBytes = s.out.Blocks[i].SizeBytes, s.out.Blocks[i].SectorBytes
			s.out.Blocks = append(s.out.Blocks, other)
		}
	}
}

func (s *survey) partitionsOf(drive string) []*facts.Block {
	var list []*facts.Block
	for i := range s.out.Blocks {
		if s.out.Blocks[i].Whole == drive {
			list = append(list, &s.out.Blocks[i])
		}
	}
	return list
}

// checkBlocks holds /proc/partitions, where the kernel lists the same devices
// once more, against those that were read.
func (s *survey) checkBlocks() {
	area := s.whole("proc")
	content, err := s.read("proc/partitions")
	if err != nil {
		area.gap("blocks", "partitions", err)
		return
	}
	for line := range strings.Lines(string(content)) {
		fields := strings.Fields(line)
		if len(fields) != 4 || fields[0] == "major" {
			continue
		}
		if s.blockDirs[strings.ReplaceAll(fields[3], "/", "!")] == "" {
			area.gap("blocks", "partitions", errors.New(fields[3]+" is not below /"+blockClass))
		}
	}
}
