package main

import (
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

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
