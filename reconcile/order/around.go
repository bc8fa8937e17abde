package order

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// controller notes where a controller is, everything that it is and has, and
// what else would be touched with it.
func (r reader) controller(name string) {
	record, known := r.records[name]
	if !known {
		r.add("place", "")
		return
	}
	where, f, holder := r.ix.Where(record)
	r.add("place", string(where))
	r.add("holder", names(holder))
	r.twins(record)
	if f == nil {
		return
	}
	r.function(f)
	if record.IsVirtual() {
		r.parent(f)
	}
	if record.Whole() {
		for _, part := range r.ix.Parts(record)[1:] {
			r.part(fmt.Sprintf("function %d", part.Address.Function)).function(part)
		}
	}
}

// parent notes by what a virtual function lives.
func (r reader) parent(f *facts.Function) {
	if parent := r.ix.Function(*f.Parent); parent != nil {
		made, _ := r.ix.MakesVirtual(parent)
		r.add("parent's driver", parent.Driver)
		r.add("parent's virtual functions", fmt.Sprint(made))
	}
}

// part is the reader of what belongs to one of several functions.
func (r reader) part(name string) reader {
	add := r.add
	r.add = func(fact, value string) { add(name+" "+fact, value) }
	return r
}

// function notes everything that one function is and has, and who uses it.
func (r reader) function(f *facts.Function) {
	r.each("", *f)
	r.around(f)
	r.drives(f)
	r.add("guests that name it", names(r.ix.Keepers(f.Address)...))
	var now, later []string
	for _, use := range r.ix.Uses(f.Address) {
		if use.Kind == facts.UseProcess || use.Kind == facts.UseSession {
			continue // comes and goes; asked again right before each deed
		}
		if use.Live {
			now = append(now, use.String())
		} else {
			later = append(later, use.String())
		}
	}
	r.add("use by the host", short(strings.Join(now, ", ")))
	r.add("use by what is off", short(strings.Join(later, ", ")))
}

func names(guests ...*facts.Guest) string {
	var list []string
	for _, g := range guests {
		if g != nil {
			list = append(list, g.Name)
		}
	}
	return strings.Join(list, ", ")
}

// twins notes the others that answer to the same description.
func (r reader) twins(record facts.Identity) {
	alike := r.ix.Claiming(record)
	if record.Serial == "" {
		alike = r.ix.OfKind(record.Vendor, record.Device)
	}
	var list []string
	for _, f := range alike {
		list = append(list, f.Title())
	}
	r.add("controllers of its description", strings.Join(list, ", "))
}

// around notes what shares an IOMMU group, a slot or a bus with a function, and
// who has it: it goes along, or is reset with it.
func (r reader) around(f *facts.Function) {
	var members []string
	if f.Group != nil {
		for _, m := range r.ix.Group(*f.Group) {
			members = append(members, m.Address.String()+" "+cmp.Or(m.Driver, "none"))
		}
	}
	r.add("IOMMU group", strings.Join(members, ", "))
	beside := r.ix.Siblings(f.Address)
	if f.Upstream != nil {
		beside = append(beside, r.ix.Below(*f.Upstream)...)
	}
	if f.Group != nil {
		beside = append(beside, r.ix.Group(*f.Group)...)
	}
	seen := map[facts.Address]bool{f.Address: true}
	for _, other := range beside {
		if !seen[other.Address] {
			seen[other.Address] = true
			r.add("neighbour "+other.Address.String(), r.neighbour(other)+", holder "+cmp.Or(names(r.ix.Holder(other.Address)), "none"))
		}
	}
}

// neighbour tells a function, once for all those beside it.
func (r reader) neighbour(f *facts.Function) string {
	text, told := r.beside[f]
	if !told {
		text = short(sayOf(*f))
		r.beside[f] = text
	}
	return text
}

// drives notes what the kernel shows of the drives, and what was read of them.
func (r reader) drives(f *facts.Function) {
	var ids []string
	for n, drive := range r.ix.Drives(f.Address) {
		title := fmt.Sprintf("drive %d", n+1)
		r.add(title, short(sayOf(*drive)))
		if content := r.ix.Content(drive.Name); content != nil {
			r.each(title+" holds", r.still(*content))
		}
		parts := slices.Clone(r.ix.Partitions(drive.Name))
		for _, part := range parts {
			if part.Partition == nil {
				continue
			}
			ids = append(ids, part.Partition.ID)
			r.add(fmt.Sprintf("partition %d of %s", part.Partition.Number, title), short(sayOf(*part)))
		}
		r.add("number of partitions of "+title, fmt.Sprint(len(parts)))
	}
	r.add("partitions", strings.Join(ids, ", "))
}

// still gives what a drive holds without how the filesystems that the host has
// mounted were left: on the drive that goes to and fro with each flush of their
// logs. Steps look again once they are unmounted.
func (r reader) still(content facts.Content) facts.Content {
	volumes := slices.Clone(content.Volumes)
	for _, part := range r.ix.Partitions(content.Of) {
		i := slices.IndexFunc(volumes, func(v facts.Volume) bool { return part.Partition != nil && v.Number == part.Partition.Number })
		if i >= 0 && len(r.ix.MountsOf(part)) > 0 {
			volumes[i].Condition = ""
		}
	}
	content.Volumes = volumes
	return content
}
