package assess

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// take takes the table apart into what goes and what stays.
func (b *backer) take() bool {
	name, holds := b.Found.Controller.Name, Cause{"/dev/" + b.content.Of, "holds " + b.content.Describe()}
	byHand := "make the image by hand, knowing what is on the drive: qemu-img convert"
	switch {
	case b.content.Unfinished != "":
		return b.stop("drive of "+name+" holds half a copy", "There is no whole system on it.", holds, "end the order that began it: lendkeep resume, or lendkeep rollback")
	case b.content.Table == nil:
		return b.stop("drive of "+name+" holds no partition table", "So there is no installed system on it that could be copied.", holds, "see whether it is the drive that is meant", "take copy_from out of the layout")
	case b.content.Signature != nil:
		return b.stop("drive of "+name+" is more than its table", "Beside the table it is marked as a whole, as an array or a filesystem does it.", holds, "see what keeps the mark: wipefs lists it", byHand)
	case b.Drive.SectorBytes != 512:
		return b.stop("drive of "+name+" has sectors of another size", "A partition table counts in sectors: one of a drive with sectors of "+fmt.Sprint(b.Drive.SectorBytes)+" bytes means other places in an image, which has 512.", holds, byHand)
	}
	b.Table = *b.content.Table
	var carried []facts.Entry
	for _, e := range b.Table.Entries {
		if !b.hosts(e) {
			carried = append(carried, e)
		}
	}
	made, err := facts.ImageOf(b.Disk.Image, b.Disk.Format, b.Table, carried)
	if err != nil {
		return b.stop("drive of "+name+" cannot be taken apart", "Only partitions of the system's own go into an image, so they must be told from the others: "+err.Error()+".", holds,
			"see what is wrong: sgdisk -v", byHand)
	}
	b.Image = made
	return true
}

// hosts tells a partition of the host's: one that the layout states, or that
// lendkeep made, whatever has become of the layout since. Of several with a stated
// name all are.
func (b *backer) hosts(e facts.Entry) bool {
	if d := b.Found.Controller.Drive; d != nil && slices.ContainsFunc(d.Partitions, func(p spec.Partition) bool { return p.Name == e.Name }) {
		return true
	}
	if !b.madeHere(e) {
		return false
	}
	b.say(Note, "partition "+e.Name+" stays out of the image", "The layout does not state it, but lendkeep made it for the host, so it is none of the system's.",
		Cause{fmt.Sprintf("partition %d of /dev/%s", e.Number, b.content.Of), "id " + e.ID}, "state it in the drive block as long as the host needs it")
	return true
}

// madeHere tells a partition by the identity that lendkeep gives to those it makes,
// by its own name or one that the layout states: a guest may have renamed it.
func (b *backer) madeHere(e facts.Entry) bool {
	names := []string{e.Name}
	if d := b.Found.Controller.Drive; d != nil {
		for _, p := range d.Partitions {
			names = append(names, p.Name)
		}
	}
	return slices.ContainsFunc(names, func(name string) bool {
		return e.ID == idOf("partition", b.Drive.Serial, b.Table.ID, name, fmt.Sprint(e.First))
	})
}

// users stops where anybody uses what would be copied: those who write make a broken
// copy, and what is a disk of a guest is not another's to see.
func (b *backer) users() {
	for _, use := range b.c.Facts.UsesBut(b.Found.Function.Address, numbers(b.Image.Left(b.Table))) {
		b.stop(string(use.Kind)+" "+use.User+" uses what would be copied", "Only the system's own partitions go into the image. This one is another's, or is written meanwhile.", Cause{use.Chain[0], use.String()},
			"state the partition in the drive block of "+b.Found.Controller.Name+" where it is the host's", "end the use: unmount it, or shut down what has it")
	}
}

func numbers(entries []facts.Entry) []int {
	var list []int
	for _, e := range entries {
		list = append(list, e.Number)
	}
	return list
}

// partsIn says in words which partitions these are.
func partsIn(entries []facts.Entry, of *facts.Content) string {
	shown := *of
	table := *of.Table
	table.Entries = entries
	shown.Table, shown.Signature, shown.Unfinished = &table, nil, ""
	return strings.TrimPrefix(shown.Describe(), "a partition table (GPT) with ")
}
