package main

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/spec/plain"
)

func printSurvey(w io.Writer, survey facts.Survey) error {
	t := &text{w: w}
	ix := facts.NewIndex(&survey)
	outs := guard.Outs(ix)
	m := survey.Machine
	t.line("Host %s, kernel %s, %s, %s of memory, surveyed %s", m.Name, m.Kernel, plain.Count(m.CPUs, "CPU"), facts.Size(m.MemoryBytes), stamp(survey.TakenAt))
	if m.IOMMUs == 0 {
		t.line("No IOMMU is in use: nothing can be lent.")
	}
	t.line("")
	controllers := [][]string{{"address", "what", "driver", "IOMMU group", "link", "slot"}}
	verdicts := [][]string{{"address", "may be lent", "why not"}}
	for _, v := range assess.Verdicts(ix) {
		f := v.Of
		controllers = append(controllers, []string{f.Address.String(), what(f, outs), orDash(f.Driver), companyOf(ix, f), orDash(f.Link.Told()), orDash(f.Slot)})
		verdicts = append(verdicts, verdictRow(v))
	}
	t.table(controllers)
	t.line("")
	t.table(verdicts)
	t.line("")
	printGroups(t, ix, outs)
	printDrives(t, ix, outs)
	printGuests(t, ix, outs)
	printImages(t, survey)
	printEntries(t, ix)
	printGaps(t, survey)
	return t.err
}

func verdictRow(v assess.Verdict) []string {
	if v.MayBeLent() {
		return []string{v.Of.Address.String(), "yes", "-"}
	}
	return []string{v.Of.Address.String(), "no", strings.Join(v.Against, "; ")}
}

// what says what a function is; one that can say nothing of itself by what is
// recorded of it.
func what(f *facts.Function, outs map[facts.Address]guard.Out) string {
	if out, is := outs[f.Address]; is && out.Identity.Serial != "" {
		return "NVMe " + cmp.Or(out.Model, f.Kind()) + ", serial " + out.Identity.Serial + ", by the record of " + out.Identity.Controller
	}
	if f.NVMe != nil {
		return "NVMe " + f.NVMe.Model + ", serial " + f.NVMe.Serial
	}
	switch {
	case f.Parent != nil && f.VirtualNumber != nil:
		return fmt.Sprintf("%s, virtual function %d of %s", f.Kind(), *f.VirtualNumber, *f.Parent)
	case f.VirtualMost > 0:
		return fmt.Sprintf("%s, with %s of %d at most", f.Kind(), plain.Count(f.Virtual, "virtual function"), f.VirtualMost)
	}
	return f.Kind()
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
func printGroups(t *text, ix *facts.Index, outs map[facts.Address]guard.Out) {
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
			rows = append(rows, []string{title, f.Address.String() + " " + what(f, outs), orDash(f.Driver)})
			title = ""
		}
	}
	if len(rows) > 1 {
		t.table(rows)
		t.line("")
	}
}

// printDrives lists the drives, and those that are lent or put aside by what is
// recorded of them.
func printDrives(t *text, ix *facts.Index, outs map[facts.Address]guard.Out) {
	rows := [][]string{{"drive", "of", "size", "holds", "used by"}}
	for i := range ix.Survey.Functions {
		f := &ix.Survey.Functions[i]
		of := f.Address.String() + " " + guard.Name(f, outs)
		for _, drive := range ix.Drives(f.Address) {
			rows = append(rows, []string{drive.Name, of, facts.Size(drive.SizeBytes), contents(ix, drive), usersOf(ix, f.Address)})
		}
		if out, is := outs[f.Address]; is && len(ix.Drives(f.Address)) == 0 {
			rows = append(rows, outRow(out, of))
		}
	}
	t.table(rows)
	t.line("")
}

func outRow(out guard.Out, of string) []string {
	row := []string{"aside", of, "-", orDash(strings.Join(out.Partitions(), ", ")), "nobody"}
	if out.With != nil {
		row[0], row[4] = "lent", "guest "+out.With.Name
	}
	if out.SizeBytes > 0 {
		row[2] = facts.Size(out.SizeBytes)
	}
	return row
}

func contents(ix *facts.Index, drive *facts.Block) string {
	var list []string
	for _, part := range ix.Partitions(drive.Name) {
		name := part.Name
		if part.Partition != nil && part.Partition.Name != "" {
			name = part.Partition.Name
		}
		list = append(list, ix.Layers(part, name))
	}
	if len(list) == 0 {
		return ix.Undivided(drive)
	}
	return strings.Join(list, ", ")
}

func usersOf(ix *facts.Index, at facts.Address) string {
	var list []string
	for _, use := range ix.Uses(at) {
		text := ix.User(use)
		if !slices.Contains(list, text) {
			list = append(list, text)
		}
	}
	if len(list) == 0 {
		return "nobody"
	}
	return strings.Join(list, ", ")
}

func titleAt(ix *facts.Index, at facts.Address, outs map[facts.Address]guard.Out) string {
	if f := ix.Function(at); f != nil {
		return guard.Title(f, outs)
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
	for _, c := range survey.Contents {
		add(c.Of, c.Gaps)
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
