package main

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

func printSurvey(w io.Writer, survey facts.Survey) error {
	t := &text{w: w}
	ix := facts.NewIndex(&survey)
	m := survey.Machine
	t.line("Host %s, kernel %s, %d CPUs, %s of memory, surveyed %s", m.Name, m.Kernel, m.CPUs, facts.Size(m.MemoryBytes), survey.TakenAt.Format("2006-01-02 15:04:05 MST"))
	if m.IOMMUs == 0 {
		t.line("No IOMMU is in use: nothing can be lent.")
	}
	t.line("")
	controllers := [][]string{{"address", "what", "driver", "IOMMU group", "link", "slot"}}
	for i := range survey.Functions {
		f := &survey.Functions[i]
		if lendable(f) {
			controllers = append(controllers, []string{f.Address.String(), what(f), orDash(f.Driver), companyOf(ix, f), linkOf(f), orDash(f.Slot)})
		}
	}
	t.table(controllers)
	t.line("")
	printGroups(t, ix)
	printDrives(t, ix)
	printGuests(t, ix)
	printImages(t, survey)
	printEntries(t, survey)
	printGaps(t, survey)
	return t.err
}

// lendable leaves out what the kernel never lends: bridges and ports, and the
// chipset's own functions on the root bus.
func lendable(f *facts.Function) bool {
	return f.HeaderType == 0 && f.Class>>16 != 0x06
}

func what(f *facts.Function) string {
	if f.NVMe != nil {
		return "NVMe " + f.NVMe.Model + ", serial " + f.NVMe.Serial
	}
	if f.DeviceName != "" {
		return f.DeviceName
	}
	return f.Vendor.String() + ":" + f.Device.String()
}

// companyOf says whether others share a function's group; they are named in a
// table of their own, never by the group's bare number.
func companyOf(ix *facts.Index, f *facts.Function) string {
	if f.Group == nil {
		return "none"
	}
	others := 0
	for _, member := range ix.Group(*f.Group) {
		if member.Address != f.Address {
			others++
		}
	}
	if others == 0 {
		return "alone"
	}
	return fmt.Sprintf("shared with %d more, below", others)
}

// printGroups lists the groups that have several members, by member: they are
// lent together or not at all.
func printGroups(t *text, ix *facts.Index) {
	byNumber := map[int][]*facts.Function{}
	for i := range ix.Survey.Functions {
		if f := &ix.Survey.Functions[i]; f.Group != nil {
			byNumber[*f.Group] = append(byNumber[*f.Group], f)
		}
	}
	rows := [][]string{{"shared IOMMU group", "member", "driver"}}
	for _, number := range slices.Sorted(maps.Keys(byNumber)) {
		members := byNumber[number]
		if len(members) < 2 {
			continue
		}
		title := "of " + members[0].Address.String()
		for _, f := range members {
			rows = append(rows, []string{title, f.Address.String() + " " + what(f), orDash(f.Driver)})
			title = ""
		}
	}
	if len(rows) > 1 {
		t.table(rows)
		t.line("")
	}
}

func linkOf(f *facts.Function) string {
	l := f.Link
	if l == nil || l.Width == 0 {
		return "-"
	}
	return fmt.Sprintf("%.3g GT/s x%d of %.3g x%d", float64(l.SpeedMTps)/1000, l.Width, float64(l.MaxSpeedMTps)/1000, l.MaxWidth)
}

func printDrives(t *text, ix *facts.Index) {
	rows := [][]string{{"drive", "of", "size", "holds", "used by"}}
	for i := range ix.Survey.Functions {
		f := &ix.Survey.Functions[i]
		for _, drive := range ix.Drives(f.Address) {
			rows = append(rows, []string{drive.Name, f.Address.String(), facts.Size(drive.SizeBytes), contents(ix, drive), usersOf(ix, f.Address)})
		}
	}
	t.table(rows)
	t.line("")
}

func contents(ix *facts.Index, drive *facts.Block) string {
	var list []string
	for _, part := range ix.Partitions(drive.Name) {
		name := part.Name
		if part.Partition != nil && part.Partition.Name != "" {
			name = part.Partition.Name
		}
		if part.Signature != nil {
			name += " (" + part.Signature.Kind + ")"
		}
		list = append(list, name)
	}
	switch {
	case len(list) > 0:
		return strings.Join(list, ", ")
	case drive.Signature != nil:
		return drive.Signature.Kind
	}
	// What the kernel and udev do not show, a look into the drive may.
	if looked := ix.Content(drive.Name); looked != nil && (looked.Blank || looked.Unfinished != "" || looked.Signature != nil) {
		return looked.Describe()
	}
	return "no partitions"
}

func usersOf(ix *facts.Index, at facts.Address) string {
	var list []string
	for _, use := range ix.Uses(at) {
		text := string(use.Kind) + " " + use.User
		if use.Kind == facts.UseGuest && !use.Live {
			text += " (off)"
		}
		if !slices.Contains(list, text) {
			list = append(list, text)
		}
	}
	if len(list) == 0 {
		return "nobody"
	}
	return strings.Join(list, ", ")
}

func printGuests(t *text, ix *facts.Index) {
	rows := [][]string{{"guest", "is", "memory", "borrows", "disks"}}
	for i := range ix.Survey.Libvirt.Guests {
		g := &ix.Survey.Libvirt.Guests[i]
		definitions := g.Definitions()
		if len(definitions) == 0 {
			continue
		}
		var lent, disks []string
		for _, l := range definitions[0].Hostdevs {
			lent = append(lent, titleAt(ix, l.Address))
		}
		for _, d := range definitions[0].Disks {
			if d.Source != "" {
				disks = append(disks, d.Source)
			}
		}
		rows = append(rows, []string{g.Name, g.Condition, facts.Size(definitions[0].MemoryBytes), orDash(strings.Join(lent, ", ")), orDash(strings.Join(disks, ", "))})
	}
	t.table(rows)
}

// printImages lists the firmware that guests start with, or would by libvirt's
// choice.
func printImages(t *text, survey facts.Survey) {
	if len(survey.Firmware) == 0 {
		return
	}
	rows := [][]string{{"firmware image", "NVMe driver", "why unknown"}}
	for _, f := range survey.Firmware {
		rows = append(rows, []string{f.Path, string(f.NVMe), orDash(f.Why)})
	}
	t.line("")
	t.table(rows)
}

// printEntries lists what the firmware of each guest tries by itself, in its
// sequence.
func printEntries(t *text, survey facts.Survey) {
	ix := facts.NewIndex(&survey)
	rows := [][]string{{"guest", "boot entry", "label", "partition", "program"}}
	for i := range survey.Libvirt.Guests {
		g := &survey.Libvirt.Guests[i]
		if g.Kept == nil || g.Kept.Boot.NVRAM == "" {
			continue
		}
		store := ix.Store(g.Kept.Boot.NVRAM)
		if store == nil {
			continue
		}
		for _, e := range store.Tried() {
			rows = append(rows, []string{g.Name, e.Name(), e.Label, orDash(e.Partition), orDash(e.File)})
		}
	}
	if len(rows) > 1 {
		t.line("")
		t.table(rows)
	}
}

func titleAt(ix *facts.Index, at facts.Address) string {
	if f := ix.Function(at); f != nil {
		return f.Title()
	}
	return "what should be at " + at.String()
}

func printGaps(t *text, survey facts.Survey) {
	var rows [][]string
	add := func(of string, gaps []facts.Gap) {
		for _, g := range gaps {
			rows = append(rows, []string{of, g.Fact, g.Path, g.Reason})
		}
	}
	add("host", survey.Gaps)
	add("libvirt", survey.Libvirt.Gaps)
	for _, f := range survey.Functions {
		add(f.Address.String(), f.Gaps)
	}
	for _, b := range survey.Blocks {
		add(b.Name, b.Gaps)
	}
	if len(rows) > 0 {
		t.line("")
		t.line("Not known, and therefore treated as in use:")
		t.table(append([][]string{{"of", "fact", "looked for at", "reason"}}, rows...))
	}
}

func orDash(text string) string {
	if text == "" {
		return "-"
	}
	return text
}
