package facts

import (
	"slices"
	"strings"
)

// Sight is what is known, at the moment of a survey, of the installed system on
// a disk, and who says so.
type Sight struct {
	Of     string     // "guest grading", "image /srv/images/grading.qcow2", "drive nvme1n1"; empty where nothing is known
	System *Installed // nil: nothing is known of it
	Why    string     // why that is
}

// Matters gives what is asked of a kind of system, in the sequence in which a
// person does it by hand; nothing of a kind that is not known.
func Matters(kind string) []Matter {
	switch kind {
	case "windows":
		return []Matter{AsksDriver, AsksEncryption, AsksShutdown}
	case "linux":
		return []Matter{AsksDriver, AsksNames, AsksLoader}
	default:
		return nil
	}
}

// Answer gives what is known of a question. Whatever is not plainly yes or no, or
// of a system that nobody knows, is not known.
func (s Sight) Answer(q Matter) Answer {
	a := Answer{Question: q, Says: Unknown, Seen: s.Why}
	if s.System != nil {
		a = s.System.Answer(q)
	}
	if a.Says != Present && a.Says != Absent || Matters(s.Kind()) == nil {
		a.Says = Unknown
	}
	a.Mendable = a.Mendable && a.Says == Absent
	return a
}

// Kind gives the kind of the system; empty where that is not known.
func (s Sight) Kind() string {
	if s.System == nil {
		return ""
	}
	return s.System.Kind
}

// SystemIn gives what is known of the system in an image. While a guest runs from
// it the bytes are still being written, and that guest alone can say; what it
// says is of its own system, so the image must be what it was started from.
func (ix *Index) SystemIn(image string) Sight {
	var runs []*Guest
	for i := range ix.Survey.Libvirt.Guests {
		if g := &ix.Survey.Libvirt.Guests[i]; g.Running && ix.Has(g, image) {
			runs = append(runs, g)
		}
	}
	switch {
	case len(runs) == 0:
		return ix.seenOn("image "+image, image)
	case len(runs) > 1:
		return Sight{Why: "several guests run with it"}
	}
	g := runs[0]
	i := slices.IndexFunc(ix.Survey.Asked, func(a Installed) bool { return a.Guest == g.Name })
	switch {
	case i < 0:
		return Sight{Why: "guest " + g.Name + " runs, and did not say"}
	case !ix.startedFrom(g, image):
		return Sight{Why: "whether guest " + g.Name + " was started from " + image + " is not known"}
	}
	return Sight{Of: "guest " + g.Name, System: &ix.Survey.Asked[i]}
}

// SystemOn gives what is known of the system on a drive, by its kernel name.
func (ix *Index) SystemOn(drive string) Sight { return ix.seenOn("drive "+drive, drive) }

func (ix *Index) seenOn(title, of string) Sight {
	switch content := ix.Content(of); {
	case content == nil:
		return Sight{Why: "nobody looked into " + of}
	case len(content.Gaps) > 0:
		return Sight{Why: content.Gaps[0].Fact + " of " + of + ": " + content.Gaps[0].Reason}
	case content.Unfinished != "":
		return Sight{Why: "a copy to " + of + " has not ended"}
	case content.System == nil:
		return Sight{Why: "no installed system was seen on " + of}
	default:
		return Sight{Of: title, System: content.System}
	}
}

// startedFrom tells whether the firmware of a running guest can have started its
// system from nothing but an image: it is the only disk, or first in the boot
// order. A base of its disk is not what the guest runs from.
func (ix *Index) startedFrom(g *Guest, image string) bool {
	if g.Live == nil || slices.ContainsFunc(g.Live.Reaches, startsByHost) {
		return false
	}
	var disks []string // what could be started, as the boot order names it
	is := ""
	for _, d := range g.Live.Disks {
		if d.Device != "disk" && d.Device != "lun" || d.Kind == KindShim {
			continue
		}
		disks = append(disks, "disk "+d.Target)
		if d.Source == image || d.Source != "" && ix.resolved(d.Source) == ix.resolved(image) {
			is = "disk " + d.Target
		}
	}
	for _, lent := range g.Live.Hostdevs {
		if f := ix.Function(lent.Address); f == nil || f.Class>>16 == classStorage {
			disks = append(disks, lent.Address.String())
		}
	}
	if ranked := g.Live.Boot.Ranked; len(ranked) > 0 {
		first := slices.MinFunc(ranked, func(a, b Ranked) int { return a.Order - b.Order })
		return is != "" && first.Device == is
	}
	kinds := g.Live.Boot.Kinds
	return is != "" && len(disks) == 1 && (len(kinds) == 0 || strings.EqualFold(kinds[0], "hd"))
}

// startsByHost tells of a kernel that the host gives to a guest, whose root may be
// anywhere (libvirt, "Direct kernel boot", "Host boot loader").
func startsByHost(r Reach) bool { return r.At == "os/kernel" || r.At == "bootloader" }

// classStorage is the base class of mass storage (PCI Code and ID Assignment
// Specification, base class 01h).
const classStorage = 0x01
