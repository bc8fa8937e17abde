package adopt

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// findMounts writes down what the host has mounted from a controller's partitions,
// as rules of its return. What no rule can say is told.
func (h *host) findMounts(c *controller) {
	seen := map[*facts.Mount]bool{}
	for _, use := range c.uses {
		if use.Kind != facts.UseMount || use.Mount == nil || seen[use.Mount] {
			continue
		}
		seen[use.Mount] = true
		m, part, why := h.rule(c, use.Mount)
		if why != "" {
			h.tell("What is mounted at %s, from %s: %s.", use.Mount.Path, c.f.Title(), why)
			continue
		}
		c.mounts, c.partitions = append(c.mounts, m), append(c.partitions, part)
	}
	slices.SortStableFunc(c.mounts, byPath)
}

// rule makes a return rule of a mount, or says why it cannot.
func (h *host) rule(c *controller, m *facts.Mount) (spec.Mount, spec.Partition, string) {
	b := h.deviceOf(c.f, m)
	switch {
	case b == nil:
		return spec.Mount{}, spec.Partition{}, "it lies on what is made of the drive (LVM, md, encryption, a loop device), or on another"
	case b.Partition == nil:
		return spec.Mount{}, spec.Partition{}, "it is on the whole drive, and return rules mount partitions"
	case m.Root != "/" || len(m.Devices) > 1:
		return spec.Mount{}, spec.Partition{}, "only a part of a filesystem is mounted there, or one of several drives"
	case h.ix.MountAt(m.Path) != m || h.strays(c, m):
		return spec.Mount{}, spec.Partition{}, "something else is mounted over it or in it"
	case b.Gap("size_bytes") != nil:
		return spec.Mount{}, spec.Partition{}, "how large its partition is could not be read"
	case b.Signature == nil || b.Signature.Usage != "filesystem":
		return spec.Mount{}, spec.Partition{}, "what filesystem it is is not known"
	case h.ix.PartitionNamed(c.f.Address, b.Partition.Name) != b || b.Partition.Name == "":
		return spec.Mount{}, spec.Partition{}, fmt.Sprintf("its partition %s has no name of its own in the partition table; give it one (sgdisk -c) and adopt the host again", b.Name)
	case slices.ContainsFunc(c.partitions, func(p spec.Partition) bool { return p.Name == b.Partition.Name }):
		return spec.Mount{}, spec.Partition{}, "its partition is mounted elsewhere as well"
	}
	rule := spec.Mount{Partition: b.Partition.Name, Path: m.Path, Options: spec.Hardened(optionsOf(m))}
	part := spec.Partition{Name: b.Partition.Name, SizeBytes: b.SizeBytes, Format: formatOf(b)}
	if part.SizeBytes < 1<<20 || part.SizeBytes%512 != 0 {
		part.SizeBytes, part.Rest = 0, len(c.partitions) == 0
	}
	alone := *c
	alone.mounts, alone.partitions = []spec.Mount{rule}, []spec.Partition{part}
	if err := sayable(spec.Part{Controller: alone.stated()}); err != nil {
		return spec.Mount{}, spec.Partition{}, "a layout cannot state it: " + err.Error()
	}
	return rule, part, ""
}

// deviceOf gives the drive or partition of a function that a mount is of itself.
func (h *host) deviceOf(f *facts.Function, m *facts.Mount) *facts.Block {
	if !m.Devno.Known() {
		return nil
	}
	for _, drive := range h.ix.Drives(f.Address) {
		if drive.Devno == m.Devno {
			return drive
		}
		for _, part := range h.ix.Partitions(drive.Name) {
			if part.Devno == m.Devno {
				return part
			}
		}
	}
	return nil
}

// strays tells whether anything is mounted in a mount, or under it, that the same
// controller's rules would not mount.
func (h *host) strays(c *controller, m *facts.Mount) bool {
	return slices.ContainsFunc(h.ix.Crowd(m.Path), func(other *facts.Mount) bool {
		return h.deviceOf(c.f, other) == nil || other.Path == m.Path
	})
}

// formatOf gives the filesystem of a partition as a layout states it; empty where
// it is another.
func formatOf(b *facts.Block) string {
	if kind := b.Signature.Kind; slices.Contains(spec.Filesystems(), kind) {
		return kind
	}
	return ""
}

// optionsOf gives the options of a mount that say how it is used (mount(8),
// "FILESYSTEM-INDEPENDENT MOUNT OPTIONS"); the rest are the kernel's defaults, or
// are the filesystem's own.
func optionsOf(m *facts.Mount) []string {
	var list []string
	for _, option := range []string{"ro", "noexec", "noatime", "nodiratime", "nosymfollow"} {
		if slices.Contains(m.Options, option) {
			list = append(list, option)
		}
	}
	return list
}
