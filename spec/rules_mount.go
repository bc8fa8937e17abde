package spec

import (
	"fmt"
	"path"
	"slices"
	"strings"
)

// mountWithoutPartition: a return can only mount what the drive holds.
func mountWithoutPartition(r *reader, l *overview) {
	for _, c := range l.Controllers {
		held := heldBy(c.Drive)
		for _, m := range c.Return.Mounts {
			if m.Partition == "" || slices.Contains(held, m.Partition) {
				continue
			}
			detail := fmt.Sprintf("The drive of %s states: %s.", reference(kindController, c.Name), listed(held))
			if len(held) == 0 {
				detail = fmt.Sprintf("The drive of %s states no partition.", reference(kindController, c.Name))
			}
			hint := fmt.Sprintf("add partition %q to the controller's drive", m.Partition)
			if near := r.nearest(m.Partition, held); near != "" {
				hint = fmt.Sprintf("did you mean %q?", near)
			}
			r.refuse(r.ranges[m.At], fmt.Sprintf("mount of an unstated partition %q", m.Partition), detail, hint)
		}
	}
}

// heldBy gives the names of a drive's partitions.
func heldBy(d *Drive) []string {
	var all []string
	if d != nil {
		for _, p := range d.Partitions {
			all = append(all, p.Name)
		}
	}
	return all
}

// returnMount is a mount with the controller whose return makes it.
type returnMount struct {
	Mount
	controller string
}

// mountTable gives every mount of the layout by its path; a path that two
// mounts claim stays with the first.
func mountTable(l *Layout) map[string]returnMount {
	table := map[string]returnMount{}
	for _, c := range l.Controllers {
		for _, m := range c.Return.Mounts {
			if _, taken := table[m.Path]; m.Path != "" && !taken {
				table[m.Path] = returnMount{m, c.Name}
			}
		}
	}
	return table
}

// over gives the innermost mount that a file is on. Directories are looked up
// from the file upwards, so the cost does not grow with the number of mounts.
func (l *overview) over(file string) (returnMount, bool) {
	for dir := file; dir != ""; dir = dir[:strings.LastIndexByte(dir, '/')] {
		if m, ok := l.mounts[dir]; ok {
			return m, true
		}
	}
	return returnMount{}, false
}

// mountsInEachOther: two mounts on one path hide each other; one inside of
// another drive's mount vanishes whenever that drive is lent.
func mountsInEachOther(r *reader, l *overview) {
	for _, c := range l.Controllers {
		for _, m := range c.Return.Mounts {
			if m.Path == "" {
				continue
			}
			if first := l.mounts[m.Path]; first.At != m.At {
				r.refuse(r.of(m.At, "at"), "two mounts on one path",
					fmt.Sprintf("%s is also where %s is mounted, at %s.", m.Path, reference(kindController, first.controller), first.At),
					"give each a path of its own")
				continue
			}
			outer, ok := l.over(path.Dir(m.Path))
			if ok && outer.controller != c.Name {
				r.refuse(r.of(m.At, "at"), "mount inside of another drive's mount",
					fmt.Sprintf("%s is mounted on %s; while it is lent, %s is gone too.",
						reference(kindController, outer.controller), outer.Path, m.Path),
					"choose a path outside of it")
			}
		}
	}
}

// alarmOnLoan: what the watch runs as root lies where guests write.
func alarmOnLoan(r *reader, l *overview) {
	for _, word := range l.Host.Alarm {
		if !path.IsAbs(word) {
			continue
		}
		if m, ok := l.over(word); ok {
			r.refuse(r.of(l.Host.At, "alarm"), "alarm lies on a drive that is lent",
				fmt.Sprintf("%s is on %s, whose files the guests with %s write, and the watch runs the command as root.", word, m.Path, reference(kindController, m.controller)),
				"keep it on the host's own drive, as in /usr/local/bin")
			return
		}
	}
}

// copyOfItself: the image that moves to a drive lies on that same drive, which
// is written over meanwhile.
func copyOfItself(r *reader, l *overview) {
	for _, c := range l.Controllers {
		if c.Drive == nil || c.Drive.CopyOf == "" {
			continue
		}
		if m, ok := l.over(c.Drive.CopyOf); ok && m.controller == c.Name {
			r.refuse(r.of(c.Drive.At, "copy_of"), "the image lies on the drive it is copied to",
				fmt.Sprintf("%s is on %s, a mount of %s itself.", c.Drive.CopyOf, m.Path, reference(kindController, c.Name)),
				"move the image to another drive first")
		}
	}
}

// diskOnOwnLoan: what a guest needs lies on a drive that the same guest
// borrows; it can never be there while the guest runs.
func diskOnOwnLoan(r *reader, l *overview) {
	for i := range l.Guests {
		g := &l.Guests[i]
		for _, f := range filesOf(g) {
			m, ok := l.over(f.path)
			if !ok || !borrows(g, m.controller) {
				continue
			}
			r.refuse(r.of(f.at, f.attribute), "guest needs a file on a drive it borrows",
				fmt.Sprintf("%s is on %s, which is gone while the guest %q has %s.",
					f.path, m.Path, g.Name, reference(kindController, m.controller)),
				"keep the file on another drive, or do not lend this one to the guest")
		}
	}
}

// guestFile is a file of the host that a guest cannot run without.
type guestFile struct {
	path      string
	at        Place // of the block that states it
	attribute string
}

func filesOf(g *Guest) []guestFile {
	var all []guestFile
	for _, d := range g.Disks {
		if d.Image != "" {
			all = append(all, guestFile{d.Image, d.At, "image"})
		}
	}
	if len(g.Firmware) > 0 && g.Firmware[0] == '/' {
		all = append(all, guestFile{g.Firmware, g.At, "firmware"})
	}
	return all
}
