package memory

import (
	"context"
	"fmt"
	"reflect"
	"slices"

	"lendkeep/reconcile/facts"
)

// Ends is what was kept of a drive before it was cleared.
type Ends struct {
	Keep    string        `json:"keep"`
	Content facts.Content `json:"content"`
	Blocks  []facts.Block `json:"blocks,omitempty"` // its partitions
}

// Clear makes a drive blank, as the real one does.
func (h *Host) Clear(ctx context.Context, d facts.Drive, keep string) error {
	return h.writing("clear drive", d, func(b *facts.Block, content *facts.Content) error {
		if _, kept := h.ends[keep]; !kept {
			h.ends[keep] = Ends{keep, *content, h.partitions(b.Name)}
		}
		h.blank(content)
		return nil
	})
}

// PutBack gives a drive back what was kept.
func (h *Host) PutBack(ctx context.Context, d facts.Drive, keep string) error {
	return h.writing("put ends of drive back", d, func(b *facts.Block, content *facts.Content) error {
		kept, ok := h.ends[keep]
		if !ok {
			return nil
		}
		h.drop(b.Name)
		*content = kept.Content
		h.survey.Blocks = append(h.survey.Blocks, kept.Blocks...)
		return nil
	})
}

// Copy gives a blank drive what an image holds.
func (h *Host) Copy(ctx context.Context, from facts.Source, d facts.Drive, keep string) error {
	return h.writing("copy system", d, func(b *facts.Block, content *facts.Content) error {
		ix := facts.NewIndex(&h.survey)
		image := ix.Content(from.Path)
		for _, g := range h.survey.Libvirt.Guests {
			if g.Running && ix.Has(&g, from.Path) {
				return fmt.Errorf("copy %s: guest %s has it open for writing", from.Path, g.Name)
			}
		}
		switch {
		case image == nil || image.Stamp != from.Stamp || image.Format != from.Format || !slices.Equal(image.Behind, from.Behind):
			return fmt.Errorf("copy %s: it has changed", from.Path)
		case !content.Bare() && content.Unfinished != keep:
			return fmt.Errorf("copy %s: the drive is not blank", from.Path)
		}
		content.Blank, content.EndsZero, content.Unfinished = false, false, ""
		content.Table, content.Signature, content.Volumes, content.System = image.Table, image.Signature, image.Volumes, image.System
		h.reread(b, content)
		return nil
	})
}

// Empty makes the ends of a drive blank again.
func (h *Host) Empty(ctx context.Context, d facts.Drive, bytes uint64, keep string) error {
	return h.writing("empty drive", d, func(b *facts.Block, content *facts.Content) error {
		h.blank(content)
		return nil
	})
}

// WriteTable turns one table of a drive into another.
func (h *Host) WriteTable(ctx context.Context, d facts.Drive, before, after *facts.Table, keep string) error {
	return h.writing("write partition table", d, func(b *facts.Block, content *facts.Content) error {
		if !reflect.DeepEqual(content.Table, before) && !reflect.DeepEqual(content.Table, after) {
			return fmt.Errorf("write table of %s: it holds another one", b.Name)
		}
		content.Blank = after == nil && content.Blank
		content.Table, content.EndsZero = after, after == nil
		h.reread(b, content)
		return nil
	})
}

// MakeFilesystem makes one on a partition.
func (h *Host) MakeFilesystem(ctx context.Context, d facts.Drive, on facts.Entry, made facts.NewFilesystem, over bool) error {
	signature := &facts.Signature{Kind: made.Kind, Usage: "filesystem", UUID: made.UUID, Label: made.Label}
	return h.sign("make filesystem", d, on, signature, func(there *facts.Signature) error {
		if (on.Last-on.First+1)*d.SectorBytes < made.LeastBytes() {
			return fmt.Errorf("mkfs.%s: partition %s is too small", made.Kind, on.Name)
		}
		if there != nil && there.UUID != made.UUID && !over {
			return fmt.Errorf("mkfs.%s: partition %s holds %s", made.Kind, on.Name, there.Kind)
		}
		return nil
	})
}

// ClearFilesystem takes a filesystem's signature away.
func (h *Host) ClearFilesystem(ctx context.Context, d facts.Drive, on facts.Entry, made facts.NewFilesystem) error {
	return h.sign("clear filesystem", d, on, nil, func(there *facts.Signature) error {
		if there != nil && there.UUID != made.UUID {
			return fmt.Errorf("clear partition %s: another filesystem is on it", on.Name)
		}
		return nil
	})
}

// writing finds the drive by what it is, as the real one does, and refuses one
// that is in use.
func (h *Host) writing(label string, d facts.Drive, deed func(*facts.Block, *facts.Content) error) error {
	return h.deed(label, func() error { return h.write(d, deed) })
}

func (h *Host) write(d facts.Drive, deed func(*facts.Block, *facts.Content) error) error {
	b, content, err := h.drive(d)
	if err != nil {
		return err
	}
	if uses := facts.NewIndex(&h.survey).LiveUses(*b.Controller); len(uses) > 0 {
		return fmt.Errorf("open drive %s: device or resource busy: %s", d.Serial, uses[0])
	}
	return deed(b, content)
}

// drive finds a drive by what it is, with what is known of what it holds.
func (h *Host) drive(d facts.Drive) (*facts.Block, *facts.Content, error) {
	ix := facts.NewIndex(&h.survey)
	list := ix.BySerial(d.Serial)
	if len(list) != 1 || list[0].NVMe.State != "live" {
		return nil, nil, fmt.Errorf("open drive %s: it is not here", d.Serial)
	}
	for _, n := range list[0].NVMe.Namespaces {
		b := ix.Block(n.Block)
		if n.ID != d.Namespace || b == nil {
			continue
		}
		if b.SizeBytes != d.SizeBytes || b.SectorBytes != d.SectorBytes {
			return nil, nil, fmt.Errorf("open drive %s: it has %d bytes, not %d", d.Serial, b.SizeBytes, d.SizeBytes)
		}
		i := slices.IndexFunc(h.survey.Contents, func(c facts.Content) bool { return c.Of == b.Name })
		if i < 0 {
			return nil, nil, fmt.Errorf("open drive %s: what it holds is not known", d.Serial)
		}
		return b, &h.survey.Contents[i], nil
	}
	return nil, nil, fmt.Errorf("open drive %s: it has no namespace %d", d.Serial, d.Namespace)
}

func (h *Host) sign(label string, d facts.Drive, on facts.Entry, signature *facts.Signature, may func(*facts.Signature) error) error {
	return h.writing(label, d, func(b *facts.Block, content *facts.Content) error {
		v := content.Volume(on.Number)
		if v == nil {
			return fmt.Errorf("write partition %s: it is not there", on.Name)
		}
		if err := may(v.Signature); err != nil {
			return err
		}
		content.Volumes = slices.Clone(content.Volumes)
		v = content.Volume(on.Number)
		v.Signature, v.Condition = signature, facts.Clean
		if signature == nil {
			v.Condition = ""
		}
		h.reread(b, content)
		return nil
	})
}

// blank makes a content be of nothing, as erasing does: what lies between the
// ends stays.
func (h *Host) blank(content *facts.Content) {
	h.drop(content.Of)
	*content = facts.Content{Of: content.Of, SizeBytes: content.SizeBytes, SectorBytes: content.SectorBytes, EndsZero: true}
}

func (h *Host) partitions(drive string) []facts.Block {
	var list []facts.Block
	for _, b := range h.survey.Blocks {
		if b.Whole == drive {
			list = append(list, b)
		}
	}
	return list
}

func (h *Host) drop(drive string) {
	h.survey.Blocks = slices.DeleteFunc(h.survey.Blocks, func(b facts.Block) bool { return b.Whole == drive })
}

// unused gives the first device number from one on that no device has, those
// that are away included: the next drive may follow its neighbour at once.
func (h *Host) unused(from facts.Devno) facts.Devno {
	taken := map[facts.Devno]bool{}
	for _, b := range h.survey.Blocks {
		taken[b.Devno] = true
	}
	for _, a := range h.unseen {
		for _, b := range a.Blocks {
			taken[b.Devno] = true
		}
	}
	for taken[from] {
		from.Minor++
	}
	return from
}

// reread has the kernel show the partitions of a table, and udev what is on
// them. Those that are as they were stay the same devices.
func (h *Host) reread(drive *facts.Block, content *facts.Content) {
	old := h.partitions(drive.Name)
	whole := *drive // the list that it is in moves
	h.drop(whole.Name)
	var volumes []facts.Volume
	if content.Table == nil {
		content.Volumes = nil
		return
	}
	for _, e := range content.Table.Entries {
		v := facts.Volume{Number: e.Number}
		if seen := content.Volume(e.Number); seen != nil {
			v = *seen
		}
		volumes = append(volumes, v)
		part := facts.Block{Name: fmt.Sprintf("%sp%d", whole.Name, e.Number), Controller: whole.Controller, Whole: whole.Name, SectorBytes: whole.SectorBytes,
			Devno: h.unused(facts.Devno{Major: whole.Devno.Major, Minor: whole.Devno.Minor + uint32(e.Number)}), SizeBytes: (e.Last - e.First + 1) * whole.SectorBytes,
			Partition: &facts.Partition{Number: e.Number, StartBytes: e.First * whole.SectorBytes, ID: e.ID, Type: e.Type, Name: e.Name}}
		if i := slices.IndexFunc(old, func(b facts.Block) bool {
			return b.Partition.Number == e.Number && b.Partition.ID == e.ID && b.Partition.StartBytes == part.Partition.StartBytes && b.SizeBytes == part.SizeBytes
		}); i >= 0 {
			part = old[i]
		}
		part.Signature = v.Signature
		h.survey.Blocks = append(h.survey.Blocks, part)
	}
	content.Volumes = volumes
}
