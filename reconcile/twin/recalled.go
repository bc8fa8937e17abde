package twin

import (
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// ruled gives what the host's guard goes by of the controller at an address; nil: it
// knows none there.
func (c *copying) ruled(at facts.Address) *guard.Controller {
	i := slices.IndexFunc(c.rules.Controllers, func(r guard.Controller) bool { return r.Identity.Address == at })
	if i < 0 {
		return nil
	}
	return &c.rules.Controllers[i]
}

// recalled gives the drive of a controller that is lent, which no host sees: of its
// partitions those that the guard's rules remember as the host's own, behind one that
// a guest can start from.
func (c *copying) recalled(f *facts.Function) Disk {
	d := Disk{File: fileOf(f, 1), Namespace: 1, SizeBytes: smallBytes, SectorBytes: 512}
	at, r := f.Address.String(), c.ruled(f.Address)
	if r == nil || len(r.Keeps) == 0 {
		c.unlike.add("drive", at, "an empty one of 64 MiB: no host sees what hangs on a controller while it is lent", "what lies on it")
		return d
	}
	c.unlike.add("drive", at, "partitions of the same size, those that the guard remembers and one that guests start from: no host sees what hangs on a controller while it is lent", "what else lies on it, what no longer fits, or fits only here")
	d.Of, d.SizeBytes = d.File, recalledBytes
	if r.SizeBytes != 0 {
		d.SizeBytes = min(r.SizeBytes-r.SizeBytes%d.SectorBytes, mostBytes)
	}
	const mib = 1 << 20
	start := uint64(65 * mib) // behind the first, and what every table leaves free in front
	share := (d.SizeBytes - min(d.SizeBytes, start+mib)) / uint64(len(r.Keeps)) / mib * mib
	parts := []*facts.Block{{Name: d.File + " start", SizeBytes: start - mib, Partition: &facts.Partition{Number: 1, StartBytes: mib, Type: facts.TypeESP}, Signature: &facts.Signature{Kind: "vfat"}}}
	for i, kept := range r.Keeps {
		part := facts.Block{Name: d.File + " " + kept.Name, SizeBytes: share, Partition: &facts.Partition{Number: i + 2, StartBytes: start + uint64(i)*share, Name: kept.Name, ID: kept.ID}}
		for _, m := range r.Mounts {
			if m.Partition == kept.Name && m.FSType != "" {
				part.Signature = &facts.Signature{Kind: m.FSType}
			}
		}
		parts = append(parts, &part)
	}
	d.Table = c.tableOf(&d, "gpt", "", parts)
	return d
}

// recalledBytes is a drive of which the guard does not remember the size.
const recalledBytes = 8 << 30
