package facts

import (
	"fmt"
	"slices"
)

// GapUsers is the fact of a gap that says why not every user of what is below a
// function could be looked for.
const GapUsers = "users"

// held adds what the kernel says of a device: who has it open, and that
// somebody holds it where nothing else says who.
func (w *usesWalk) held(b *Block, chain []string) {
	for _, o := range b.Openers {
		if !w.ix.ownDisk(o.Guest, b) {
			w.add(Use{Kind: UseProcess, User: o.Process + ", which has it open", Chain: chain, Live: true})
		}
	}
	if b.Exclusive == HeldBySomeone && !w.ix.explained(b) {
		w.add(Use{Kind: UseUnknown, User: "somebody: the kernel says that it is in use", Chain: chain, Live: true})
	}
}

// ownDisk tells whether a device is a disk of that guest, which runs: that its
// QEMU has it open is then no use besides the guest's own. A process that only
// calls itself so is seen once the guest is off.
func (ix *Index) ownDisk(guest string, b *Block) bool {
	g := ix.guests[guest]
	return g != nil && g.Running && slices.ContainsFunc(ix.direct[b.Name], func(u directUse) bool { return u.kind == UseGuest && u.user == guest })
}

// explained tells whether it is known why a device is busy. A claim on a
// partition makes its drive busy, one on the drive all its partitions (Linux
// block/bdev.c, bd_may_claim; measured with Linux 6.1).
func (ix *Index) explained(b *Block) bool {
	if ix.claimed(b) {
		return true
	}
	if whole := ix.blocks[b.Whole]; whole != nil {
		return ix.claimed(whole)
	}
	return slices.ContainsFunc(ix.parts[b.Name], func(part *Block) bool { return part.Exclusive == HeldBySomeone })
}

// claimed tells whether the survey names somebody who holds exactly this device
// exclusively: mounts, swap, devices built on it. Loop devices do not.
func (ix *Index) claimed(b *Block) bool {
	return len(ix.mountsOf[b.Name]) > 0 || len(b.Holders) > 0 ||
		slices.ContainsFunc(ix.direct[b.Name], func(u directUse) bool { return u.kind == UseSwap })
}

// onNetwork are the ways of 9P that reach another machine or a process, not a
// device (Linux Documentation/filesystems/9p.rst, trans).
var onNetwork = []string{"trans=tcp", "trans=unix", "trans=fd", "trans=rdma"}

// shares adds what is mounted from a virtio device that shows files: the mount names
// a tag, which nothing ties to a function, so it counts for each that may have it.
func (w *usesWalk) shares(f *Function) {
	if f.Driver != "virtio-pci" || len(w.ix.tops[w.at]) > 0 || len(f.Interfaces) > 0 {
		return
	}
	for i := range w.ix.Survey.Mounts {
		m := &w.ix.Survey.Mounts[i]
		byNetwork := slices.ContainsFunc(m.SuperOptions, func(option string) bool { return slices.Contains(onNetwork, option) })
		if m.Kind == "virtiofs" || m.Kind == "9p" && !byNetwork {
			w.add(Use{Kind: UseUnknown, User: "mount " + m.Path + ", maybe of it", Chain: []string{f.Address.String()}, Live: true})
		}
	}
}

// Unasked says why a function must not leave the host's driver on the strength
// of this survey: nobody asked the kernel who holds its drives. Empty: it was
// asked, or no driver of the host has the function.
func (ix *Index) Unasked(at Address) string {
	f := ix.functions[at]
	if f == nil || f.Driver == "" || f.OnVFIO() {
		return ""
	}
	if !f.Asked {
		return "the kernel was not asked who holds what is on " + f.Title()
	}
	for _, drive := range ix.tops[at] {
		for _, b := range append([]*Block{drive}, ix.parts[drive.Name]...) {
			if b.Exclusive == NotAsked {
				return fmt.Sprintf("the kernel was not asked who holds %s of %s", b.Name, f.Title())
			}
		}
	}
	return ""
}

// Answered gives a copy of a survey with the answers that a kernel would give
// to it: of hosts that are not real. What the survey itself calls busy stays so.
func (s Survey) Answered() Survey {
	ix := NewIndex(&s)
	own := map[string]bool{}
	for i := range s.Blocks {
		b := &s.Blocks[i]
		if own[b.Name] = ix.claimed(b) || b.Exclusive == HeldBySomeone && !ix.explained(b); own[b.Name] && b.Whole != "" {
			own[b.Whole+"/"] = true // a partition of it
		}
	}
	functions, blocks := slices.Clone(s.Functions), slices.Clone(s.Blocks)
	for i := range functions {
		functions[i].Asked = true
	}
	for i := range blocks {
		b := &blocks[i]
		switch {
		case b.Controller == nil:
		case own[b.Name] || own[b.Whole] || own[b.Name+"/"]:
			b.Exclusive = HeldBySomeone
		default:
			b.Exclusive = HeldByNobody
		}
	}
	s.Functions, s.Blocks = functions, blocks
	return s
}

// Unanswered gives a copy of a survey with what is left of a kernel's answers
// once all whom the survey names have let go: Answered adds theirs again.
func (s Survey) Unanswered() Survey {
	ix := NewIndex(&s)
	blocks := slices.Clone(s.Blocks)
	for i := range blocks {
		b := &blocks[i]
		if b.Exclusive != HeldBySomeone || ix.explained(b) {
			b.Exclusive = NotAsked
		}
		b.Openers = slices.DeleteFunc(slices.Clone(b.Openers), func(o Opener) bool { return ix.ownDisk(o.Guest, b) })
	}
	s.Blocks = blocks
	return s
}
