package guard

import (
	"slices"

	"lendkeep/reconcile/facts"
)

// Located gives a definition with the paths of the volumes that it names by
// libvirt's pools, for which the guard cannot ask. Volumes on other machines have
// none, nor have those of pools that the rules do not know.
func (r Rules) Located(d facts.Definition) facts.Definition {
	d.Disks = slices.Clone(d.Disks)
	for i := range d.Disks {
		disk := &d.Disks[i]
		if pool := r.pool(disk.Pool); pool != nil && disk.Volume != "" && disk.Source == "" {
			disk.Source, _ = facts.Pool{Target: pool.Target}.PathOf(disk.Volume)
		}
	}
	return d
}

func (r Rules) pool(name string) *Pool {
	i := slices.IndexFunc(r.Pools, func(p Pool) bool { return p.Name == name })
	if i < 0 {
		return nil
	}
	return &r.Pools[i]
}

// unlocated gives the disks that may be anywhere.
func (b *before) unlocated() []facts.Disk {
	var list []facts.Disk
	for _, disk := range b.call.Definition.Disks {
		if disk.Volume != "" && disk.Source == "" && b.rules.pool(disk.Pool) == nil {
			list = append(list, disk)
		}
	}
	return list
}
