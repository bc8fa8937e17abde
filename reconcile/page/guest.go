package page

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// Guest is a guest that libvirt knows or that the layout states.
type Guest struct {
	ID        string
	Name      string
	Running   bool
	Condition string // libvirt's word, or that it is not known to it
	Size      string
	Has       []Mention // functions that it has now
	Takes     []Mention // functions that its definition names and that it does not have now
	Borrows   []Mention // controllers, by the layout
	LivesOn   []Mention // functions whose drives its disks are on, with the mount
	Disks     []string
	Shifts    []Mention
	Stated    string // what the layout says of it besides; empty: it states it
	Marks     []Mark
}

func (d *drawing) guests() []Guest {
	var list []Guest
	for _, name := range d.guestNames() {
		list = append(list, d.guest(name))
	}
	return list
}

// guestNames gives the guests that libvirt knows, then those that the layout alone
// states.
func (d *drawing) guestNames() []string {
	var list []string
	for i := range d.ix.Survey.Libvirt.Guests {
		list = append(list, d.ix.Survey.Libvirt.Guests[i].Name)
	}
	for _, g := range d.c.Layout.Guests {
		if d.ix.Guest(g.Name) == nil {
			list = append(list, g.Name)
		}
	}
	return list
}

func (d *drawing) guest(name string) Guest {
	drawn := Guest{ID: d.prefix + guestID(name), Name: name, Condition: "libvirt does not know it", LivesOn: d.homes[name], Shifts: d.shifts[name], Marks: d.marks[guestID(name)]}
	if known := d.ix.Guest(name); known != nil {
		drawn.Running, drawn.Condition = known.Running, known.Condition
		if all := known.Definitions(); len(all) > 0 {
			drawn.Size = plain.Count(all[0].CPUs, "processor") + ", " + facts.Size(all[0].MemoryBytes) + seat(all[0])
			drawn.Disks = d.disks(all[0])
		}
		d.takes(&drawn, known)
	}
	switch stated := d.c.Stated(name); {
	case stated == nil:
		drawn.Stated = "the layout does not name it"
	case stated.Retired:
		drawn.Stated = "the layout retires it"
	default:
		for _, ref := range stated.Borrows {
			drawn.Borrows = append(drawn.Borrows, d.controller(ref.Name))
		}
	}
	return drawn
}

// seat tells where on the host a guest of that definition runs; nothing where it says
// nothing of that.
func seat(definition *facts.Definition) string {
	text := ""
	if definition.HugePages {
		text += " in huge pages"
	}
	if definition.PageBytes != 0 {
		text += " of " + facts.Size(definition.PageBytes)
	}
	if definition.MemoryNodes != "" {
		text += " of node " + definition.MemoryNodes
	}
	if definition.Pinned != "" {
		text += ", pinned to CPUs " + definition.Pinned
	}
	return text
}

// takes notes the functions that a guest has, and those that it takes when it is
// started.
func (d *drawing) takes(drawn *Guest, known *facts.Guest) {
	for _, definition := range known.Definitions() {
		for _, at := range definition.Functions() {
			m := d.mention(at)
			switch {
			case d.ix.Holder(at) == known:
				if !slices.Contains(drawn.Has, m) {
					drawn.Has = append(drawn.Has, m)
				}
			case !slices.Contains(drawn.Takes, m):
				drawn.Takes = append(drawn.Takes, m)
			}
		}
	}
}

// disks names what a definition has as disks.
func (d *drawing) disks(definition *facts.Definition) []string {
	var list []string
	for _, disk := range definition.Disks {
		if source := d.ix.SourceOf(disk); source != "" {
			list = append(list, cmp.Or(disk.Target, disk.Device)+" "+source)
		}
	}
	return list
}

// counted writes how many there are of each kind.
func counted(numbers map[string]int) string {
	var list []string
	for _, kind := range slices.Sorted(maps.Keys(numbers)) {
		list = append(list, fmt.Sprintf("%d %s", numbers[kind], kind))
	}
	return strings.Join(list, ", ")
}
