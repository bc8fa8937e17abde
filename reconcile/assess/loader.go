// loader: what a guest's firmware will start on the drive that it boots from,
// as far as the drive and the guest's firmware variables tell.
//
// Firmware starts the programs that its boot entries name (Boot0000 and so on,
// kept in a file of the guest's), in their order; of a drive without one it
// starts `\EFI\BOOT\BOOTX64.EFI` from the EFI system partition. An entry knows its
// partition by the GPT id: after a drive was partitioned anew it leads nowhere,
// and the firmware goes on with the next. What cannot be seen, as while the
// drive is lent, is told as not known.
//
// What the loader starts is looked into, too: a system on the drive that was seen
// to lack its NVMe driver, or the kernel that its loader's entries name, does not
// start. A copy that an order made of Windows gets its driver started at boot by
// the next.
//
// With `boot_entry = "\\EFI\\..."` in a guest an order writes an entry for that
// program and puts it first, while the guest is off. The variables as they were
// are kept.
//
// Severity: note where it is not known, or several lead somewhere; caution; stop
// where nothing can be started, or what is there was seen not to start, no system is
// copied there and the order would start the guest.
//
// Remedy: have an order write a boot entry (boot_entry), install the system or
// move it there, take the driver into its initramfs, or check again while the drive
// is with the host.
package assess

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkLoaders(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		start, ok := c.Start(g)
		if !ok || start.Way == Legacy {
			continue
		}
		list = append(list, c.driveFindings(g)...)
		list = append(list, c.driveStarts(g)...)
		list = append(list, c.storeFindings(g)...)
		if _, why := c.Entry(g); why.Summary != "" {
			list = append(list, why)
		}
	}
	return list
}

// driveFindings tells what can be started on the drive.
func (c *Case) driveFindings(g *spec.Guest) []Finding {
	found := c.Found(g.Boots.Name)
	name := g.Boots.Name
	unknown := func(path, why string) []Finding {
		detail := "Whether there is a loader for its firmware can only be seen on the drive."
		if shim := c.Change(g).Shim; shim != nil && shim.From == (facts.SystemPartition{}) {
			detail += " Its shim disk starts the first system that it finds on lent drives; an order that is planned when it can be seen makes another for it."
		}
		return []Finding{{Severity: Note, At: g.Boots.At, Summary: shorten("what guest " + g.Name + " can start on " + name + " is not known"),
			Detail: detail, Causes: []Cause{{path, why}},
			Remedies: []string{"check again while the drive is with the host"}}}
	}
	list, path, why := c.systems(found)
	copied := c.Filling(name).Copy != nil
	if !copied && c.lacksESP(found) || why == "" && len(list) == 0 {
		return []Finding{c.nothingToStart(g, name+" has no EFI system partition",
			"UEFI firmware starts a system from a partition of that type; guest "+g.Name+" would find nothing to start.",
			Cause{path, "partitions: " + c.partitionNames(found.Function.Address)},
			"set the type of its boot partition: sgdisk -t NUMBER:ef00 on its drive")}
	}
	if why != "" {
		return unknown(path, why)
	}
	var there []string
	reached := false
	for _, s := range list {
		there = append(there, s.Volume.Loaders...)
		reached = reached || c.reaches(g, *s.Volume)
	}
	switch unread := c.storeUnread(g); {
	case len(there) == 0:
		return []Finding{c.nothingToStart(g, "nothing on "+name+" can be started",
			"Its EFI system partition holds no EFI program at all; guest "+g.Name+" would find nothing to start.",
			Cause{path, "no EFI program"}, "repair the system's boot files with its own tools")}
	case reached:
		return nil
	case unread != "":
		return unknown(c.Facts.Guest(g.Name).Kept.Boot.NVRAM, unread)
	}
	return []Finding{{Severity: Caution, At: g.Boots.At, Summary: shorten("firmware of guest " + g.Name + " may not find its loader"),
		Detail:   "There is none at " + facts.Fallback + ", and no boot entry of the guest leads to one of those that are there.",
		Causes:   []Cause{{path, strings.Join(there, ", ")}},
		Remedies: []string{fmt.Sprintf("have an order write a boot entry: boot_entry = %q in guest %s", there[0], g.Name), "put the loader at " + facts.Fallback + " too"}}}
}

// nothingToStart is a stop where the order would start the guest all the same.
// With a medium in its drive it may be started to install a system.
func (c *Case) nothingToStart(g *spec.Guest, summary, detail string, cause Cause, remedy string) Finding {
	f := Finding{Severity: Caution, At: g.Boots.At, Summary: shorten(summary), Detail: detail, Causes: []Cause{cause},
		Remedies: []string{"install the system on the drive, or move it there", remedy}}
	d := c.becomes(g)
	medium := d != nil && slices.ContainsFunc(d.Disks, func(disk facts.Disk) bool {
		return disk.Device == "cdrom" && (disk.Source != "" || disk.Volume != "")
	})
	if c.Runs(g) && !c.RunsNow(g.Name) && !medium && c.Filling(g.Boots.Name).Copy == nil {
		f.Severity = Stop
		f.Remedies = append(f.Remedies, "leave boots out of guest "+g.Name+" until then")
	}
	return f
}

// system is an EFI system partition of the drive that a guest boots from, as it
// is or as the order's copy makes it.
type system struct {
	facts.SystemPartition
	Volume *facts.Volume // nil: nobody looked into it
}

// systems gives the EFI system partitions of a controller's drives, and where
// that was read; or why they are not known in full.
func (c *Case) systems(found Found) (list []system, path, why string) {
	if f := c.Filling(found.Controller.Name); f.Copy != nil {
		list, why = systemsIn(f.Image)
		return list, f.Copy.Path, why
	}
	drives := c.Facts.Drives(found.Function.Address)
	path = "/sys/bus/pci/devices/" + found.Function.Address.String()
	switch {
	case found.Where != facts.Home:
		return nil, path, "the controller is " + string(found.Where)
	case len(drives) == 0:
		return nil, path, "no drive of it was seen"
	}
	for _, drive := range drives {
		on, gap := systemsIn(c.Facts.Content(drive.Name))
		list, path = append(list, on...), "/dev/"+drive.Name
		if why == "" {
			why = gap
		}
	}
	return list, path, why
}

func systemsIn(content *facts.Content) (list []system, why string) {
	switch {
	case content == nil:
		return nil, "nobody looked into it"
	case len(content.Gaps) > 0:
		return nil, content.Gaps[0].Reason
	case content.Table == nil:
		return nil, ""
	}
	for _, e := range content.Table.Entries {
		v := content.Volume(e.Number)
		if v == nil || !v.ESP {
			continue
		}
		list = append(list, system{facts.SystemPartition{Number: e.Number, ID: e.ID, First: e.First, Sectors: e.Last - e.First + 1}, v})
		why = cmp.Or(why, v.Gap)
	}
	return list, why
}

func volumeIn(content *facts.Content, id string) *facts.Volume {
	if content == nil || content.Table == nil {
		return nil
	}
	for _, e := range content.Table.Entries {
		if e.ID == id {
			return content.Volume(e.Number)
		}
	}
	return nil
}

// reaches tells whether the guest's firmware gets to a program of a volume.
func (c *Case) reaches(g *spec.Guest, v facts.Volume) bool {
	if holds(&v, facts.Fallback) || g.Entry != nil && holds(&v, g.Entry.Path) {
		return true
	}
	if start, _ := c.Start(g); start.Way == ByDisk && startable(&v, "") {
		return true
	}
	store := c.storeOf(g)
	return store != nil && slices.ContainsFunc(store.Tried(), func(e facts.BootEntry) bool { return e.Partition != "" && holds(&v, e.File) })
}

func holds(v *facts.Volume, file string) bool {
	return slices.ContainsFunc(v.Loaders, func(l string) bool { return facts.SameFile(l, file) })
}

// startable tells whether a shim disk starts something on a volume.
func startable(v *facts.Volume, loader string) bool {
	return holds(v, facts.Fallback) || holds(v, `\EFI\Microsoft\Boot\bootmgfw.efi`) || loader != "" && holds(v, loader)
}

// storeOf gives a guest's own variable store where its entries are known, else
// nil.
func (c *Case) storeOf(g *spec.Guest) *facts.VariableStore {
	known := c.Facts.Guest(g.Name)
	if known == nil || known.Kept == nil || known.Kept.Boot.NVRAM == "" {
		return nil
	}
	store := c.Facts.Store(known.Kept.Boot.NVRAM)
	if store == nil || store.Unread != "" || store.SHA256 == "" {
		return nil
	}
	return store
}

// storeUnread says why entries of a guest's variable store may be unknown; empty
// where it has none or all were read.
func (c *Case) storeUnread(g *spec.Guest) string {
	known := c.Facts.Guest(g.Name)
	if known == nil || known.Kept == nil || known.Kept.Boot.NVRAM == "" {
		return ""
	}
	switch store := c.Facts.Store(known.Kept.Boot.NVRAM); {
	case store == nil:
		return "the survey did not look at it"
	case store.Missing:
		return ""
	case store.SHA256 == "":
		return cmp.Or(store.Unread, "its boot entries were not read")
	default:
		return store.Unread
	}
}

// storeFindings tells which boot entries lead nowhere, and what the firmware
// tries first.
func (c *Case) storeFindings(g *spec.Guest) []Finding {
	store := c.storeOf(g)
	if store == nil {
		return nil // a guest without variables of its own starts from the fallback
	}
	var list []Finding
	add := func(severity Severity, summary, detail, value string, remedies ...string) {
		list = append(list, Finding{Severity: severity, At: g.Boots.At, Summary: shorten(summary), Detail: detail, Causes: []Cause{{store.Path, value}}, Remedies: remedies})
	}
	var own []facts.BootEntry // that lead to a program which is there
	for _, e := range store.Tried() {
		switch missing, seen := c.entryLeads(g, e); {
		case missing != "":
			add(Caution, e.Name()+" of guest "+g.Name+" leads nowhere", "Boot entry "+e.Name()+" ("+e.Label+") names "+missing+". The firmware goes on with the next one.",
				entryText(e), "leave it, if the guest starts", "remove it inside the guest: efibootmgr -B -b "+e.Name()[4:])
		case seen:
			own = append(own, e)
		}
	}
	if store.Next != nil {
		next := facts.BootEntry{Number: *store.Next}.Name()
		add(Caution, "guest "+g.Name+" starts "+next+" once, before all others", "Its firmware variables say so (BootNext), for the next start alone.", "BootNext "+next, "leave it, if somebody meant that", "remove it inside the guest: efibootmgr -N")
	}
	if len(own) > 1 && g.Entry == nil {
		add(Note, "guest "+g.Name+" starts "+own[0].Name()+" first", fmt.Sprintf("%d boot entries lead to a program on %s; that one comes before the others.", len(own), g.Boots.Name),
			entryText(own[0]), fmt.Sprintf("state another: boot_entry = %q in guest %s", own[1].File, g.Name))
	}
	return list
}

func entryText(e facts.BootEntry) string {
	return fmt.Sprintf("%s %q: partition %s, %s", e.Name(), e.Label, e.Partition, e.File)
}

// entryLeads follows a boot entry as far as facts go: what is missing, or that
// it was seen to lead to a program on the drive that the guest boots from.
func (c *Case) entryLeads(g *spec.Guest, e facts.BootEntry) (missing string, seen bool) {
	list, _, why := c.systems(c.Found(g.Boots.Name))
	if e.Partition == "" || len(list) == 0 {
		return "", false
	}
	for _, s := range list {
		switch {
		case s.ID != e.Partition:
		case e.File == "" || s.Volume.Gap != "":
			return "", false
		case holds(s.Volume, e.File):
			return "", true
		default:
			return e.File + ", which is not on its partition " + e.Partition, false
		}
	}
	if why != "" || c.elsewhere(g, e.Partition) {
		return "", false
	}
	return "partition " + e.Partition + ", which no disk of the guest has", false
}

// elsewhere tells whether a partition may be on a disk of the guest's: one that
// nobody looked into may hold anything.
func (c *Case) elsewhere(g *spec.Guest, id string) bool {
	d := c.becomes(g)
	if d == nil || len(d.Hostdevs) > 1 {
		return true
	}
	onDrives := slices.ContainsFunc(c.Facts.Drives(c.Found(g.Boots.Name).Function.Address), func(b *facts.Block) bool {
		return volumeIn(c.Facts.Content(b.Name), id) != nil // of another kind
	})
	for _, disk := range d.Disks {
		if disk.Device != "disk" || disk.Kind == facts.KindShim {
			continue
		}
		content := c.Facts.Content(disk.Source)
		if content == nil || len(content.Gaps) > 0 || volumeIn(content, id) != nil {
			return true
		}
	}
	return onDrives
}
