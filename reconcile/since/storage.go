package since

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// drives tells how what is on a function's drives has changed.
func (c *comparison) drives(a, b *facts.Function, called string) {
	c.size(Change{was: a, is: b}, called, a.NVMe.SizeBytes(), b.NVMe.SizeBytes(), a.NVMe.SizeBytes() != 0, b.NVMe.SizeBytes() != 0)
	was, is := partitions(c.was, a.Address), partitions(c.is, b.Address)
	wasGaps, isGaps := driveGaps(c.was, a), driveGaps(c.is, b)
	for _, key := range slices.Sorted(maps.Keys(was)) {
		of := Change{was: a, is: b, partition: title(was[key])}
		if now, there := is[key]; there {
			c.partition(of, "partition "+title(was[key])+" of "+called, was[key], now)
		} else {
			c.say(of, "partition %s of %s is %s", title(was[key]), called, gone(isGaps))
		}
	}
	for _, key := range slices.Sorted(maps.Keys(is)) {
		if _, there := was[key]; !there {
			c.say(Change{was: a, is: b, partition: title(is[key])}, "partition %s of %s is %s", title(is[key]), called, fresh(wasGaps))
		}
	}
}

func (c *comparison) partition(of Change, called string, was, is *facts.Block) {
	wasRead, isRead := was.Gap("signature") == nil, is.Gap("signature") == nil
	c.seen(of, "the name of "+called, title(was), title(is), wasRead, isRead) // udev says it with the signature
	c.seen(of, "what "+called+" holds", signature(was), signature(is), wasRead, isRead)
	c.size(of, called, was.SizeBytes, is.SizeBytes, was.Gap("size_bytes") == nil, is.Gap("size_bytes") == nil)
}

// size tells of another size, to the byte where the words for both are the same.
func (c *comparison) size(of Change, called string, was, is uint64, wasRead, isRead bool) {
	before, now := facts.Size(was), facts.Size(is)
	if before == now {
		before, now = fmt.Sprintf("%d bytes", was), fmt.Sprintf("%d bytes", is)
	}
	c.seen(of, "the size of "+called, before, now, wasRead, isRead)
}

// driveGaps gives the gaps because of which a survey may not show a partition of a
// function, or not by what stays the same.
func driveGaps(ix *facts.Index, f *facts.Function) []facts.Gap {
	list := slices.Concat(ix.Survey.Gaps, f.Gaps)
	for _, drive := range ix.Drives(f.Address) {
		list = append(list, drive.Gaps...)
		for _, part := range ix.Partitions(drive.Name) {
			list = append(list, part.Gaps...)
		}
	}
	return list
}

// partitions gives a function's partitions by what stays the same: the id, else
// the number on its drive.
func partitions(ix *facts.Index, at facts.Address) map[string]*facts.Block {
	list := map[string]*facts.Block{}
	for _, drive := range ix.Drives(at) {
		for _, part := range ix.Partitions(drive.Name) {
			key := strings.TrimPrefix(part.Name, drive.Name)
			if part.Partition != nil {
				key = cmp.Or(part.Partition.ID, fmt.Sprint(part.Partition.Number))
			}
			list[key] = part
		}
	}
	return list
}

func title(part *facts.Block) string {
	if part.Partition != nil && part.Partition.Name != "" {
		return part.Partition.Name
	}
	return part.Name
}

func signature(b *facts.Block) string {
	if b.Signature == nil {
		return ""
	}
	return strings.TrimSpace(b.Signature.Kind + " " + b.Signature.UUID)
}

// mounts tells of filesystems that have a device, in the host's own namespace.
func (c *comparison) mounts() {
	was, is := mounted(c.was), mounted(c.is)
	for _, at := range slices.Sorted(maps.Keys(was)) {
		if _, there := is[at]; !there {
			c.say(Change{path: at}, "%s is %s; %s was mounted there", at, either(c.is.Survey.Gaps, "no longer mounted", "not seen"), was[at].what)
			continue
		}
		turned(c, Change{path: at}, "what is mounted at "+at, was[at].what, is[at].what, shown)
		turned(c, Change{path: at}, "how "+at+" is mounted", was[at].how, is[at].how, shown)
	}
	for _, at := range slices.Sorted(maps.Keys(is)) {
		if _, there := was[at]; !there {
			c.say(Change{path: at}, "%s is mounted at %s now%s", is[at].what, at, either(c.was.Survey.Gaps, "", notBefore))
		}
	}
}

type mount struct{ what, how string }

func mounted(ix *facts.Index) map[string]mount {
	list := map[string]mount{}
	for i := range ix.Survey.Mounts {
		m := &ix.Survey.Mounts[i]
		if m.Elsewhere == "" && (m.Devno.Major != 0 || len(m.Devices) > 0) {
			top := ix.MountAt(m.Path)
			list[m.Path] = mount{top.Kind + " of " + source(ix, top), strings.Join(top.Options, ",")}
		}
	}
	return list
}

// source names a mount's device by what does not move, where it has that.
func source(ix *facts.Index, m *facts.Mount) string {
	b := ix.Device(m.Source)
	switch {
	case b == nil:
		return m.Source
	case b.Signature != nil && b.Signature.Label != "":
		return b.Signature.Label
	case b.Partition != nil && b.Partition.Name != "":
		return b.Partition.Name
	case b.Built() != "":
		return b.Built()
	case b.Signature != nil && b.Signature.UUID != "":
		return b.Signature.UUID
	default:
		return b.Name
	}
}

func (c *comparison) swaps() {
	was, is := map[string]bool{}, map[string]bool{}
	for _, s := range c.was.Survey.Swaps {
		was[s.Path] = true
	}
	for _, s := range c.is.Survey.Swaps {
		is[s.Path] = true
		if !was[s.Path] {
			c.say(Change{}, "the host swaps to %s now%s", s.Path, either(c.was.Survey.Gaps, "", notBefore))
		}
	}
	for _, s := range c.was.Survey.Swaps {
		if !is[s.Path] {
			c.say(Change{}, "the host %s swap to %s any more", either(c.is.Survey.Gaps, "does not", "is not seen to"), s.Path)
		}
	}
}
