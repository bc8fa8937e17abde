package main

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/spec/plain"
)

func verdictRow(v assess.Verdict) []string {
	may := "no"
	if v.MayBeLent() {
		may = strings.Join(append([]string{"yes"}, addressesOf(v.With)...), ", with ")
	}
	return []string{v.Of.Address.String(), may, orDash(strings.Join(v.Against, "; "))}
}

func addressesOf(functions []*facts.Function) []string {
	list := []string{}
	for _, f := range functions {
		list = append(list, f.Address.String())
	}
	return list
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

func titleAt(ix *facts.Index, at facts.Address, outs map[facts.Address]guard.Out) string {
	if f := ix.Function(at); f != nil {
		return guard.Title(f, outs)
	}
	return "what should be at " + at.String()
}

// printSerials lists the device serial numbers of cards, by which a layout can tell two
// of a kind.
func printSerials(t *text, survey facts.Survey) {
	rows := [][]string{{"device serial number", "of"}}
	for _, f := range survey.Functions {
		if f.DeviceSerial != "" && !f.Bridge() {
			rows = append(rows, []string{f.DeviceSerial, f.Title()})
		}
	}
	if len(rows) > 1 {
		t.table(rows)
		t.line("")
	}
}
