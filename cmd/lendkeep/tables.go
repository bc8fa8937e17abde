package main

import (
	"io"

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
	printSerials(t, survey)
	printGroups(t, ix, outs)
	printDrives(t, ix, outs)
	printGuests(t, ix, outs)
	printImages(t, survey)
	printEntries(t, ix)
	printGaps(t, survey)
	return t.err
}

func printGaps(t *text, survey facts.Survey) {
	var rows [][]string
	add := func(of string, gaps []facts.Gap) {
		for _, g := range gaps {
			rows = append(rows, []string{of, g.Fact, g.Path, g.Reason})
		}
	}
	add("host", survey.Gaps)
	add("processors", survey.Topology.Gaps)
	add("libvirt", survey.Libvirt.Gaps)
	add("guard", survey.Guard.Gaps)
	add("watch", survey.Watch.Gaps)
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
		t.line("Not known; what could be in use counts as in use:")
		t.table(append([][]string{{"of", "fact", "looked for at", "reason"}}, rows...))
	}
}
