package main

import (
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

func printGuests(t *text, ix *facts.Index, outs map[facts.Address]guard.Out) {
	rows := [][]string{{"guest", "is", "memory", "borrows", "disks"}}
	for i := range ix.Survey.Libvirt.Guests {
		g := &ix.Survey.Libvirt.Guests[i]
		definitions := g.Definitions()
		if len(definitions) == 0 {
			continue
		}
		var lent, disks []string
		for _, l := range definitions[0].Hostdevs {
			lent = append(lent, titleAt(ix, l.Address, outs))
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
func printEntries(t *text, ix *facts.Index) {
	rows := [][]string{{"guest", "boot entry", "label", "partition", "program"}}
	for i := range ix.Survey.Libvirt.Guests {
		g := &ix.Survey.Libvirt.Guests[i]
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
