package adopt

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// piece is a part of a file and what it speaks of, if that can be put out.
type piece struct {
	spec.Part
	controller *controller
	guest      *guest
}

// written is where a piece stands.
type written struct {
	piece
	file        string
	first, last int // lines, from 1
}

// write makes the files of what is left to be carried over.
func (h *host) write() (Adopted, []written) {
	a := Adopted{Told: slices.Clone(h.told)}
	var ranges []written
	carried := h.carried()
	for _, g := range carried {
		if g.bare != "" {
			a.Told = append(a.Told, fmt.Sprintf("Guest %s is stated by what it borrows alone: %s", g.Name, g.bare))
		}
	}
	for _, g := range h.guests {
		if !slices.Contains(carried, g) && len(g.has) == 0 && len(h.livesOn(g)) == 0 {
			a.LeftOut = append(a.LeftOut, g.Name)
		}
	}
	hardware := h.hardware(&a, carried)
	for _, file := range []struct {
		name   string
		pieces []piece
	}{{"controllers.hcl", hardware}, {"guests.hcl", h.people(carried)}, {"host.hcl", h.head(a)}} {
		var parts []spec.Part
		line := 1
		for _, p := range file.pieces {
			parts = append(parts, p.Part)
			lines := bytes.Count(spec.Write([]spec.Part{p.Part}), []byte("\n"))
			ranges = append(ranges, written{p, file.name, line, line + lines - 1})
			line += lines + 1
		}
		a.Files = append(a.Files, spec.File{Name: file.name, Bytes: spec.Write(parts)})
	}
	return a, ranges
}

// head says where the layout comes from and what it lacks.
func (h *host) head(a Adopted) []piece {
	remarks := []string{
		fmt.Sprintf("Host %s as it was surveyed on %s, written down by lendkeep adopt.", h.ix.Survey.Machine.Name, h.ix.Survey.TakenAt.Format(time.DateTime)+" UTC"),
		"What no layout states stays as it is: rename what you like, and take out what you do not need.",
	}
	if n := len(a.LeftOut); n > 0 {
		remarks = append(remarks, "", fmt.Sprintf("Left out, since they neither borrow a controller nor live on one that is carried over: %s.", plain.Count(n, "guest")))
	}
	if len(a.Told) > 0 {
		remarks = append(remarks, "", "Not carried over:")
	}
	for _, text := range a.Told {
		remarks = append(remarks, "- "+text)
	}
	block := &spec.Host{Name: h.name}
	if uri := h.ix.Survey.Libvirt.URI; uri != "" && spec.Says(spec.Part{Host: &spec.Host{Name: h.name, Libvirt: uri}}) == nil {
		block.Libvirt = uri
	}
	return []piece{{Part: spec.Part{Remarks: remarks, Host: block}}}
}

// hardware states the controllers that are carried over; those that could be stand
// below as comments, and the rest with what speaks against it.
func (h *host) hardware(a *Adopted, carried []*guest) []piece {
	var list []piece
	for _, c := range h.in() {
		list = append(list, piece{Part: spec.Part{Remarks: []string{h.describe(c) + "."}, Controller: c.stated()}, controller: c})
	}
	var never []string
	used := map[*guest]bool{}
	for _, c := range h.rest() {
		switch {
		case c.out != "" && slices.Contains(h.controllers, c) && (c.nvme != nil || c.pci != nil):
			list = append(list, piece{Part: spec.Part{Remarks: []string{h.describe(c) + ": not carried over, because " + c.out + "."}, Controller: bare(c), Out: true}})
		case c.out != "":
			never = append(never, h.describe(c)+": not, because "+c.out+".")
		case !c.verdict().MayBeLent(), len(c.verdict().With) > len(c.others): // what is not offered as a whole is not offered
			never = append(never, h.describe(c)+": "+c.verdict().String()+".")
		default:
			a.Lent = append(a.Lent, c.name)
			list = append(list, piece{Part: h.offer(c, h.candidate(used, carried))})
		}
	}
	if len(never) > 0 {
		list = append(list, piece{Part: spec.Part{Remarks: append([]string{"Whether the rest may be lent, as the host is now:"}, dashed(never)...)}})
	}
	if len(list) == 0 {
		list = append(list, piece{Part: spec.Part{Remarks: []string{"The host has no controller that could be lent."}}})
	}
	return list
}

// rest gives the controllers that are not carried over: those with drives first,
// then by address.
func (h *host) rest() []*controller {
	list := slices.Clone(h.others)
	for _, c := range h.controllers {
		if c.out != "" {
			list = append(list, c)
		}
	}
	slices.SortFunc(list, func(a, b *controller) int {
		return cmp.Or(storageFirst(a.f)-storageFirst(b.f), a.f.Address.Compare(b.f.Address))
	})
	return list
}

// storageFirst sorts by whether a function is a controller of drives (PCI Code and
// ID Assignment Specification, base class 01).
func storageFirst(f *facts.Function) int {
	if f.Class>>16 == 0x01 {
		return 0
	}
	return 1
}

// bare states a controller by its identity alone.
func bare(c *controller) *spec.Controller {
	block := &spec.Controller{Name: c.name, NVMe: c.nvme, PCI: c.pci, Virtual: c.virtual}
	if len(c.virtuals) > 0 && c.f.Gap("virtual_functions") == nil {
		block.VirtualFunctions = &c.f.Virtual
	}
	return block
}

// offer is a controller that may be lent, in a comment: with a guest that would
// borrow it, where there is one that has nothing yet.
func (h *host) offer(c *controller, to *guest) spec.Part {
	p := spec.Part{Out: true, Controller: bare(c), Remarks: []string{h.describe(c) + ": may be lent."}}
	if to == nil {
		p.Remarks = append(p.Remarks, "Take away the two comment signs, and state in a guest:", "borrows = [controller."+c.name+"]")
		return p
	}
	p.Guest = &spec.Guest{Name: to.Name, Borrows: []spec.Ref{{Name: c.name}}}
	p.Remarks = append(p.Remarks, fmt.Sprintf("Take away the two comment signs, and guest %s borrows it; it is only an example, name another.", to.Name))
	return p
}

// people states the guests that are carried over, and who can run together.
func (h *host) people(carried []*guest) []piece {
	var list []piece
	for _, g := range carried {
		list = append(list, piece{Part: spec.Part{Remarks: []string{h.says(g)}, Guest: h.stated(g)}, guest: g})
	}
	if len(list) == 0 {
		return []piece{{Part: spec.Part{Remarks: []string{"No guest borrows a controller that is carried over, or lives on one."}}}}
	}
	if !h.shifts {
		return list
	}
	for i, set := range h.sets(carried) {
		shift := &spec.Shift{Name: fmt.Sprintf("shift-%d", i+1)}
		for _, g := range set {
			shift.Guests = append(shift.Guests, spec.Ref{Name: g.Name})
		}
		p := piece{Part: spec.Part{Shift: shift}}
		if i == 0 {
			p.Remarks = []string{"Guests of one shift can run together; lendkeep plan LAYOUT --shift NAME has them run."}
		}
		list = append(list, p)
	}
	return list
}

// describe names a controller for people, with what hangs on it.
func (h *host) describe(c *controller) string {
	text := c.f.Title()
	if c.f.NVMe == nil && c.f.DeviceName != "" {
		text = strings.TrimSpace(c.f.VendorName + " " + text)
	}
	for _, other := range c.others {
		text += ", with " + other.Title()
	}
	for _, drive := range h.ix.Drives(c.f.Address) {
		text += ", " + drive.Name + " of " + facts.Size(drive.SizeBytes)
	}
	return text
}

// says tells of a guest what its block does not state.
func (h *host) says(g *guest) string {
	text := "It is " + cmp.Or(g.Condition, "off") + "."
	for _, d := range g.Kept.Disks {
		if d.Source != "" && d.Device == "disk" {
			text += " Disk " + d.Target + ": " + d.Source + "."
		}
	}
	for _, c := range h.livesOn(g) {
		text += " It lives on " + c.name + "."
	}
	return text
}

func dashed(list []string) []string {
	var made []string
	for _, text := range list {
		made = append(made, "- "+text)
	}
	return made
}
