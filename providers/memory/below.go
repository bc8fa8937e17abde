package memory

import (
	"cmp"
	"strings"

	"lendkeep/reconcile/facts"
)

// Below is what is below a function, besides drives, while a driver of the host's has it.
type Below struct {
	Interfaces []facts.Interface `json:"interfaces,omitempty"`
	Attached   []facts.Attached  `json:"attached,omitempty"`
	Shows      []string          `json:"shows,omitempty"`
}

// hide takes what is below a function out of sight.
func (b *Below) hide(f *facts.Function) {
	b.Interfaces, b.Attached, b.Shows = f.Interfaces, f.Attached, f.Shows
	f.Interfaces, f.Attached, f.Shows = nil, nil, nil
}

// show is the way back. Interfaces come back down, with nothing of what they had;
// drivers have again what they had, but nobody opens it anew (measured with Linux 6.1).
func (b *Below) show(f *facts.Function) {
	f.Shows = b.Shows
	for _, card := range b.Interfaces {
		f.Interfaces = append(f.Interfaces, facts.Interface{Name: card.Name})
	}
	for _, a := range b.Attached {
		if a.Driver != "" {
			f.Attached = append(f.Attached, facts.Attached{Name: a.Name, Class: a.Class, Driver: a.Driver, Product: a.Product, Sort: a.Sort})
		}
	}
}

// The numbers of SCSI disks: sixteen for each disk and its partitions (Linux
// Documentation/admin-guide/devices.txt). Those beyond the sixteenth disk have other
// majors, which nothing here goes by.
const (
	diskMajor  = 8
	diskMinors = 16
)

// back shows the drives of a function again. A SCSI disk gets the first name that is
// free (Linux drivers/scsi/sd.c, sd_probe), which is another one where its own has
// been given away, or where the host still has the old one mounted (measured with
// Linux 6.1: sda comes back as sdb).
func (h *Host) back(a Unseen) {
	numbers := map[string]int{} // of SCSI disks, by the name that they had
	for _, b := range a.Blocks {
		if b.Whole == "" && strings.HasPrefix(b.Name, "sd") {
			numbers[b.Name] = h.freeDisk(numbers)
		}
	}
	for _, b := range a.Blocks {
		disk := cmp.Or(b.Whole, b.Name)
		if n, is := numbers[disk]; is && diskName(n) != disk {
			from := b.Name
			b.Name, b.Devno = diskName(n)+strings.TrimPrefix(from, disk), facts.Devno{Major: diskMajor, Minor: uint32(n * diskMinors)}
			if b.Partition != nil {
				b.Whole, b.Devno.Minor = diskName(n), b.Devno.Minor+uint32(b.Partition.Number)
			}
			h.lead("/dev/"+from, "/dev/"+b.Name)
		}
		h.survey.Blocks = append(h.survey.Blocks, b)
	}
	for _, c := range a.Holds {
		if n, is := numbers[c.Of]; is {
			c.Of = diskName(n)
		}
		h.survey.Contents = append(h.survey.Contents, c)
	}
}

// lead has the links that led to a device lead to where it is now.
func (h *Host) lead(from, to string) {
	for i := range h.survey.Paths {
		if p := &h.survey.Paths[i]; p.Resolved == from && p.Named != from {
			p.Resolved = to
		}
	}
}

// freeDisk gives the first number of a SCSI disk that no device has, no mount of one
// that was taken away, and none of those that are given now.
func (h *Host) freeDisk(given map[string]int) int {
	taken := map[int]bool{}
	note := func(d facts.Devno) {
		if d.Major == diskMajor {
			taken[int(d.Minor/diskMinors)] = true
		}
	}
	names := map[string]bool{}
	for _, b := range h.survey.Blocks {
		note(b.Devno)
		names[b.Name] = true
	}
	for _, m := range h.survey.Mounts {
		note(m.Devno)
	}
	for _, n := range given {
		taken[n] = true
	}
	n := 0
	for taken[n] || names[diskName(n)] {
		n++
	}
	return n
}

// diskName gives the name of a SCSI disk: sda to sdz, then sdaa (Linux
// drivers/scsi/sd.c, sd_format_disk_name).
func diskName(n int) string {
	name := ""
	for n++; n > 0; n = (n - 1) / 26 {
		name = string(rune('a'+(n-1)%26)) + name
	}
	return "sd" + name
}
