package spec

import "fmt"

// madeDisk is a disk whose image is made of a drive's system.
type madeDisk struct {
	Disk
	guest *Guest
}

// made gives the disks with copy_from whose image is known.
func (l *overview) made() []madeDisk {
	var list []madeDisk
	for i := range l.Guests {
		for _, d := range l.Guests[i].Disks {
			if d.CopyFrom != nil && d.Image != "" {
				list = append(list, madeDisk{d, &l.Guests[i]})
			}
		}
	}
	return list
}

// copyFromOnOwnDrive: the image would be made on the drive that it is made of,
// among the disks of other guests, and nothing would be given up by it.
func copyFromOnOwnDrive(r *reader, l *overview) {
	for _, d := range l.made() {
		if m, ok := l.over(d.Image); ok && m.controller == d.CopyFrom.Name {
			r.refuse(r.of(d.At, "image"), "the image would lie on the drive it is made of",
				fmt.Sprintf("%s is on %s, a mount of %s itself.", d.Image, m.Path, reference(kindController, d.CopyFrom.Name)),
				"choose a path on another drive")
		}
	}
}

// copyFromWhatIsBorrowed: a guest that has both the image and the drive sees its
// system twice, with one identity, and may use the wrong one.
func copyFromWhatIsBorrowed(r *reader, l *overview) {
	for _, d := range l.made() {
		if name := reference(kindController, d.CopyFrom.Name); borrows(d.guest, d.CopyFrom.Name) {
			r.refuse(r.ranges[d.CopyFrom.At], "guest borrows the drive its disk is made of",
				fmt.Sprintf("The guest %q would see its system twice, on the disk %s and on the drive of %s.", d.guest.Name, d.Name, name),
				fmt.Sprintf("take %s out of borrows and boots, or remove copy_from", name))
		}
	}
}

// copyBothWays: a system moves one way. Which of image and drive is the newer
// one nobody could tell.
func copyBothWays(r *reader, l *overview) {
	for _, d := range l.made() {
		for _, c := range l.Controllers {
			switch {
			case c.Drive == nil || c.Drive.CopyOf == "":
			case c.Name == d.CopyFrom.Name:
				r.refuse(r.ranges[d.CopyFrom.At], "the system moves to this drive and from it",
					fmt.Sprintf("The drive of %s states copy_of at %s.", reference(kindController, c.Name), c.Drive.At),
					"remove copy_of where the drive is given up, else copy_from")
			case c.Drive.CopyOf == d.Image:
				r.refuse(r.ranges[d.CopyFrom.At], "the image is made by this order and copied by it",
					fmt.Sprintf("%s is also what the drive of %s is a copy of, at %s.", d.Image, reference(kindController, c.Name), c.Drive.At),
					"make it first, and state copy_of then")
			}
		}
	}
}

// madeTwice: one file is made of one drive, once.
func madeTwice(r *reader, l *overview) {
	first := map[string]Place{}
	for _, d := range l.made() {
		if at, taken := first[d.Image]; taken {
			r.refuse(r.ranges[d.CopyFrom.At], "the image is made twice",
				fmt.Sprintf("%s is also made at %s.", d.Image, at), "choose another path, or remove one copy_from")
			continue
		}
		first[d.Image] = d.CopyFrom.At
	}
}
