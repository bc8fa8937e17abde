package assess

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// PlannedEntry is the boot entry that an order writes for a guest.
type PlannedEntry struct {
	facts.NewEntry
	Store *facts.VariableStore
}

// Entry gives the boot entry that is to be written for a guest; nil where none
// is stated or it is there already. The finding says why it cannot be planned;
// without a summary it is none. A shim disk starts the stated program itself.
func (c *Case) Entry(g *spec.Guest) (*PlannedEntry, Finding) {
	start, ok := c.Start(g)
	if g.Entry == nil || !ok || start.Way == Legacy {
		return nil, Finding{}
	}
	not := func(path, why string, remedies ...string) (*PlannedEntry, Finding) {
		return nil, Finding{Severity: Caution, At: g.Entry.At, Summary: shorten("boot entry of guest " + g.Name + " cannot be planned"),
			Detail: "The layout states that its firmware starts " + g.Entry.Path + ", and no order can see to that now.",
			Causes: []Cause{{path, why}}, Remedies: remedies}
	}
	if start.Way == ByDisk {
		list, path, why := c.systems(c.Found(g.Boots.Name))
		if why == "" && !slices.ContainsFunc(list, func(s system) bool { return holds(s.Volume, g.Entry.Path) }) {
			return not(path, programsOn(list), "correct boot_entry in guest "+g.Name)
		}
		return nil, Finding{}
	}
	store, why := c.storeToWrite(g, not)
	if store == nil {
		return nil, why
	}
	return c.entryFor(g, store, not)
}

// refusal makes the finding that says why an entry cannot be planned.
type refusal = func(path, why string, remedies ...string) (*PlannedEntry, Finding)

func programsOn(list []system) string {
	var there []string
	for _, s := range list {
		there = append(there, s.Volume.Loaders...)
	}
	return "EFI programs there: " + cmp.Or(strings.Join(there, ", "), none)
}

// storeToWrite gives the variable store that an entry can be written into.
func (c *Case) storeToWrite(g *spec.Guest, not refusal) (*facts.VariableStore, Finding) {
	refuse := func(path, why string, remedies ...string) (*facts.VariableStore, Finding) {
		_, finding := not(path, why, remedies...)
		return nil, finding
	}
	known := c.Facts.Guest(g.Name)
	if known == nil || known.Kept == nil || known.Kept.Boot.NVRAM == "" {
		return refuse("definition of guest "+g.Name, "it names no variable store; libvirt makes one at the first start", "start it once, shut it down, plan again")
	}
	named := known.Kept.Boot.NVRAM
	if c.Change(g).Becomes.Boot.NVRAM != named {
		return refuse(named, "the guest gets other firmware, and variables of its own for that", "plan again after the order")
	}
	store := c.Facts.Store(named)
	switch {
	case store == nil:
		return refuse(named, "the survey did not look at it", "plan on the host itself")
	case store.Missing:
		return refuse(named, "it is not there; libvirt makes it at the next start", "start the guest once, shut it down, plan again")
	case store.Unread != "":
		return refuse(named, store.Unread, "repair or remove it; libvirt makes it anew from the template")
	case !store.Raw:
		return refuse(named, "it is an image of another format, and only raw ones are written", "write the entry inside the guest: efibootmgr -c")
	}
	return store, Finding{}
}

// entryFor finds the one system partition of the drive that has the program.
func (c *Case) entryFor(g *spec.Guest, store *facts.VariableStore, not refusal) (*PlannedEntry, Finding) {
	found := c.Found(g.Boots.Name)
	if found.Where != facts.Home {
		if tried := store.Tried(); len(tried) > 0 && tried[0].Partition != "" && facts.SameFile(tried[0].File, g.Entry.Path) {
			return nil, Finding{} // as an earlier order wrote it
		}
		return not("/sys/bus/pci/devices/"+found.Function.Address.String(), g.Boots.Name+" is "+string(found.Where)+", and its partitions cannot be seen", "plan again while the drive is with the host")
	}
	list, path, why := c.systems(found)
	if why != "" {
		return not(path, why, "plan again when it can be read")
	}
	on := slices.DeleteFunc(slices.Clone(list), func(s system) bool { return !holds(s.Volume, g.Entry.Path) })
	switch {
	case len(on) == 0:
		return not(path, programsOn(list), "correct boot_entry in guest "+g.Name, "install the system, or move it there, and plan again")
	case on[0].ID == "":
		return not(path, "its partition table is an MBR, and boot entries name partitions by GPT id here", "put the loader at "+facts.Fallback+" instead")
	case len(on) > 1:
		return not(path, fmt.Sprintf("%d partitions have that program", len(on)), "remove it from all but one")
	}
	entry := &PlannedEntry{facts.NewEntry{Label: "lendkeep " + g.Boots.Name, Partition: on[0].SystemPartition, File: g.Entry.Path}, store}
	if store.First(entry.NewEntry) {
		return nil, Finding{}
	}
	return entry, Finding{}
}
