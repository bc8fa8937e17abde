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
	turned(c, Change{was: a, is: b}, "the size of "+called, size(a), size(b), facts.Size)
	was, is := partitions(c.was, a.Address), partitions(c.is, b.Address)
	for _, key := range slices.Sorted(maps.Keys(was)) {
		of := Change{was: a, is: b, partition: title(was[key])}
		now, there := is[key]
		if !there {
			c.say(of, "partition %s of %s is %s", title(was[key]), called, gone(c.is.Survey.Gaps))
			continue
		}
		turned(c, of, "the name of partition "+title(was[key])+" of "+called, title(was[key]), title(now), shown)
		turned(c, of, "what partition "+title(now)+" of "+called+" holds", signature(was[key]), signature(now), shown)
		turned(c, of, "the size of partition "+title(now)+" of "+called, was[key].SizeBytes, now.SizeBytes, facts.Size)
	}
	for _, key := range slices.Sorted(maps.Keys(is)) {
		if _, there := was[key]; !there {
			c.say(Change{was: a, is: b, partition: title(is[key])}, "partition %s of %s is %s", title(is[key]), called, fresh(c.was.Survey.Gaps))
		}
	}
}

func size(f *facts.Function) (sum uint64) {
	for _, n := range f.NVMe.Namespaces {
		sum += n.SizeBytes
	}
	return sum
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
	switch {
	case b.Signature == nil && len(b.Gaps) > 0:
		return "not known"
	case b.Signature == nil:
		return ""
	}
	return strings.TrimSpace(b.Signature.Kind + " " + b.Signature.UUID)
}

// mounts tells of filesystems that have a device, in the host's own namespace.
func (c *comparison) mounts() {
	was, is := mounted(c.was), mounted(c.is)
	for _, at := range slices.Sorted(maps.Keys(was)) {
		if _, there := is[at]; !there {
			c.say(Change{path: at}, "%s is %s; %s was mounted there", at, missing(c.is.Survey.Gaps), was[at].what)
			continue
		}
		turned(c, Change{path: at}, "what is mounted at "+at, was[at].what, is[at].what, shown)
		turned(c, Change{path: at}, "how "+at+" is mounted", was[at].how, is[at].how, shown)
	}
	for _, at := range slices.Sorted(maps.Keys(is)) {
		if _, there := was[at]; !there {
			c.say(Change{path: at}, "%s is mounted at %s now", is[at].what, at)
		}
	}
}

func missing(gaps []facts.Gap) string {
	if len(gaps) > 0 {
		return "not seen"
	}
	return "no longer mounted"
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
			c.say(Change{}, "the host swaps to %s now", s.Path)
		}
	}
	for _, s := range c.was.Survey.Swaps {
		if !is[s.Path] {
			c.say(Change{}, "the host does not swap to %s any more", s.Path)
		}
	}
}
