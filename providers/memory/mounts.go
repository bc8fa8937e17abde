package memory

import (
	"context"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// Mount mounts a filesystem.
func (h *Host) Mount(ctx context.Context, device, kind, path string, options []string) error {
	return h.deed("mount "+path, func() error { return h.mount(device, kind, path, options) })
}

func (h *Host) mount(device, kind, path string, options []string) error {
	options = asShown(options)
	b := facts.NewIndex(&h.survey).Device(device)
	switch {
	case b == nil:
		return fmt.Errorf("mount: %s: special device %s does not exist", path, device)
	case b.Signature == nil || kind != "" && b.Signature.Kind != kind:
		return fmt.Errorf("mount: %s: wrong fs type, bad option, bad superblock on %s", path, device)
	}
	m := facts.Mount{Devno: b.Devno, Root: "/", Path: path, Kind: b.Signature.Kind, Source: device, Options: options}
	if old, ok := h.remount[b.Devno.String()+path]; ok && slices.Equal(old.Options, options) {
		m = old
	}
	h.survey.Mounts = append(h.survey.Mounts, m)
	h.mark(b, facts.Volume{Condition: facts.Dirty, Why: "it is mounted"})
	h.see()
	return nil
}

// mark notes how the filesystem of a partition stands on the drive from now on:
// a mounted one looks as if it had not been unmounted, as the kernel marks it.
// It is as it was when it stood so before.
func (h *Host) mark(b *facts.Block, as facts.Volume) {
	i := slices.IndexFunc(h.survey.Contents, func(c facts.Content) bool { return c.Of == b.Whole })
	if i < 0 || b.Partition == nil {
		return
	}
	content := &h.survey.Contents[i]
	content.Volumes = slices.Clone(content.Volumes)
	v := content.Volume(b.Partition.Number)
	if v == nil || v.Signature == nil {
		return
	}
	key := func(c facts.Condition) string { return b.Devno.String() + " " + string(c) }
	h.marks[key(v.Condition)] = *v
	if was, ok := h.marks[key(as.Condition)]; ok {
		as.Why = was.Why
	}
	v.Condition, v.Why = as.Condition, as.Why
}

// Unmount unmounts what is uppermost at a path.
func (h *Host) Unmount(ctx context.Context, path string) error {
	return h.deed("unmount "+path, func() error { return h.unmount(path) })
}

func (h *Host) unmount(path string) error {
	at := -1
	for i, m := range h.survey.Mounts {
		if m.Path == path {
			at = i
		}
	}
	if at < 0 {
		return fmt.Errorf("umount: %s: not mounted", path)
	}
	if user := h.busy(&h.survey.Mounts[at]); user != "" {
		return fmt.Errorf("umount: %s: target is busy: %s", path, user)
	}
	m := h.survey.Mounts[at]
	h.remount[m.Devno.String()+path] = m
	h.survey.Mounts = slices.Delete(h.survey.Mounts, at, at+1)
	elsewhere := slices.ContainsFunc(h.survey.Mounts, func(other facts.Mount) bool { return other.Devno == m.Devno })
	for i := range h.survey.Blocks {
		if b := h.survey.Blocks[i]; b.Devno == m.Devno && !elsewhere {
			h.mark(&b, facts.Volume{Condition: facts.Clean})
		}
	}
	h.see()
	return nil
}

// busy names who keeps a mount, as the kernel does: mounts in it, and who has a
// file on it open. A filesystem made of folders on it does not: the kernel lets go
// of the mount and keeps the drive (measured with Linux 6.18, overlay).
func (h *Host) busy(m *facts.Mount) string {
	ix := facts.NewIndex(&h.survey)
	if list := ix.MountsBelow(m.Path); len(list) > 0 {
		return "mount " + list[0].Path
	}
	if users := ix.Openers(m); len(users) > 0 {
		return users[0]
	}
	return ""
}

// see notes which of the files that somebody names are there now. A file comes
// and goes with the filesystem it was found on; below a place where something
// was mounted since the survey it is taken to be there.
func (h *Host) see() {
	ix := facts.NewIndex(&h.survey)
	for i := range h.survey.Paths {
		p := &h.survey.Paths[i]
		origin := h.origins[p.Named]
		switch on := holding(ix, p.Named); {
		case on == origin.On:
			p.Missing = origin.Missing
		case len(on) < len(origin.On):
			p.Missing = true
		default:
			p.Missing = false
		}
	}
}

func holding(ix *facts.Index, named string) string {
	if m := ix.Holding(named); m != nil {
		return m.Path
	}
	return ""
}

// Soil has a guest leave every filesystem of a controller's drives dirty that it
// could write to, as one that is cut off does.
func (h *Host) Soil(at facts.Address) {
	h.mu.Lock()
	defer h.mu.Unlock()
	away, lent := h.unseen[at]
	if !lent {
		return
	}
	away.Holds = slices.Clone(away.Holds)
	for i := range away.Holds {
		c := &away.Holds[i]
		c.Volumes = slices.Clone(c.Volumes)
		for n := range c.Volumes {
			c.Volumes[n].Condition, c.Volumes[n].Why = facts.Dirty, "the guest was cut off"
		}
	}
	h.unseen[at] = away
}

// MountAll mounts every filesystem of a controller that is not mounted yet, as
// somebody at the host might.
func (h *Host) MountAll(at facts.Address) {
	h.mu.Lock()
	defer h.mu.Unlock()
	ix := facts.NewIndex(&h.survey)
	mounted := map[facts.Devno]bool{}
	for _, m := range h.survey.Mounts {
		mounted[m.Devno] = true
	}
	for _, drive := range ix.Drives(at) {
		for _, part := range ix.Partitions(drive.Name) {
			if part.Signature != nil && part.Signature.Usage == "filesystem" && !mounted[part.Devno] {
				h.survey.Mounts = append(h.survey.Mounts, facts.Mount{Devno: part.Devno, Root: "/", Path: "/mnt/" + part.Name, Kind: part.Signature.Kind, Source: "/dev/" + part.Name, Options: []string{"rw"}})
			}
		}
	}
}
