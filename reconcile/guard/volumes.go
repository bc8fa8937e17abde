package guard

import (
	"path"
	"slices"

	"lendkeep/reconcile/facts"
)

// Volumes gives the paths of the volumes that a definition names by libvirt's
// pools, for which the guard cannot ask.
func (r Rules) Volumes(d *facts.Definition) []string {
	files, _ := r.volumes(d)
	return files
}

// volumes gives also those disks whose pool the rules do not know. Volumes of a
// pool without a folder are no files.
func (r Rules) volumes(d *facts.Definition) (files []string, unknown []facts.Disk) {
	for _, disk := range d.Disks {
		if disk.Volume == "" || disk.Source != "" {
			continue
		}
		pool := slices.IndexFunc(r.Pools, func(p Pool) bool { return p.Name == disk.Pool })
		switch {
		case pool < 0:
			unknown = append(unknown, disk)
		case r.Pools[pool].Target != "":
			files = append(files, path.Join(r.Pools[pool].Target, disk.Volume))
		}
	}
	return files, unknown
}
