// Package since tells in words what has changed on a host between two surveys,
// and which statements of a layout that is about. It is pure. Start at Changes.
package since

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Change is one thing that is not as it was.
type Change struct {
	Text    string      `json:"text"`              // a sentence without its full stop
	Touches []Statement `json:"touches,omitempty"` // what the layout states of it; empty without a layout

	was, is   *facts.Function // of a function: nil where it was not there, or is not
	partition string          // of those: the GPT name of the partition that it is about
	guest     string
	path      string // of a mount or a firmware image
	host      bool   // the host's name
}

// Statement is a part of a layout.
type Statement struct {
	What string     `json:"what"` // "controller reel"
	At   spec.Place `json:"at"`
}

// Changes tells what is different on the second of two surveys. Where one of them
// does not know all of a kind, what it does not show is called not seen, never
// gone. What changes by itself, such as the speed of an idle link, is left out.
func Changes(was, is *facts.Index) []Change {
	c := &comparison{was: was, is: is}
	c.machine()
	c.functions()
	c.mounts()
	c.swaps()
	c.guests()
	c.rest()
	c.gaps()
	return c.list
}

// comparison is a list of changes in the making.
type comparison struct {
	was, is *facts.Index
	list    []Change
}

func (c *comparison) say(change Change, format string, values ...any) {
	change.Text = fmt.Sprintf(format, values...)
	c.list = append(c.list, change)
}

// seen says that something had one value and has another, where both could be read.
// What could not be read before may have been the same.
func (c *comparison) seen(of Change, what string, was, is string, wasRead, isRead bool) {
	switch {
	case !wasRead || was == is && isRead:
	case isRead:
		c.say(of, "%s was %s, is %s", what, shown(was), shown(is))
	default:
		c.say(of, "%s could not be read; it was %s", what, shown(was))
	}
}

// turned says that something had one value and has another.
func turned[T comparable](c *comparison, of Change, what string, was, is T, show func(T) string) {
	if was != is {
		c.say(of, "%s was %s, is %s", what, show(was), show(is))
	}
}

func shown[T any](value T) string {
	if text := fmt.Sprint(value); text != "" {
		return text
	}
	return "none"
}

func (c *comparison) machine() {
	was, is := c.was.Survey.Machine, c.is.Survey.Machine
	if was.ID != is.ID && was.ID != "" && is.ID != "" {
		c.say(Change{host: true}, "this is another machine: the older survey was taken on %s", was.Name)
	}
	for _, a := range []struct{ fact, what, was, is string }{
		{"name", "the host's name", was.Name, is.Name},
		{"kernel", "the kernel", was.Kernel, is.Kernel},
		{"command_line", "the kernel's command line", was.CommandLine, is.CommandLine},
		{"memory_bytes", "the memory", facts.Size(was.MemoryBytes), facts.Size(is.MemoryBytes)},
		{"cpus", "the number of CPUs", fmt.Sprint(was.CPUs), fmt.Sprint(is.CPUs)},
		{"iommus", "the number of IOMMUs in use", fmt.Sprint(was.IOMMUs), fmt.Sprint(is.IOMMUs)},
		{"iommu_units", "what the IOMMUs can", units(was), units(is)},
		{"dma_table", "the firmware's table of IOMMUs", was.DMATable, is.DMATable},
		{"vfio", "how VFIO will be set", settings(was), settings(is)},
		{"limit_bytes", "what all guests together may have of the memory", limit(was), limit(is)},
		{"huge_pages", "the reserve of huge pages", reserve(was.HugePages), reserve(is.HugePages)},
	} {
		c.seen(Change{host: a.fact == "name"}, a.what, a.was, a.is, read(c.was.Survey.Gaps, "machine."+a.fact), read(c.is.Survey.Gaps, "machine."+a.fact))
	}
	before, now := layOut(c.was.Survey.Topology), layOut(c.is.Survey.Topology)
	c.seen(Change{}, "where processors and memory are", before, now, before != "", now != "")
	before, now = c.was.Survey.Libvirt.Version, c.is.Survey.Libvirt.Version
	c.seen(Change{}, "libvirt's version", before, now, before != "", now != "")
}

// read tells whether no gap is of one of these facts.
func read(gaps []facts.Gap, names ...string) bool {
	return !slices.ContainsFunc(gaps, func(g facts.Gap) bool { return slices.Contains(names, g.Fact) })
}

func units(m facts.Machine) string {
	var list []string
	for _, u := range m.Units {
		list = append(list, fmt.Sprintf("%s %x %x", u.Name, u.Cap, u.Extended))
	}
	return strings.Join(list, ", ")
}

// settings tells what is written down for VFIO's modules; what holds of those that are
// loaded comes and goes with them.
func settings(m facts.Machine) string {
	var list []string
	for _, s := range m.VFIO {
		if !s.Loaded {
			list = append(list, s.Name+"="+s.Value+" in "+s.From)
		}
	}
	return strings.Join(list, ", ")
}

func limit(m facts.Machine) string {
	if m.LimitBytes == 0 {
		return ""
	}
	return facts.Size(m.LimitBytes)
}

func reserve(pages []facts.Pages) string {
	var list []string
	for _, p := range pages {
		if p.Total > 0 {
			list = append(list, fmt.Sprintf("%d of %s", p.Total, facts.Size(p.SizeBytes)))
		}
	}
	return strings.Join(list, ", ")
}

// layOut tells nodes with their processors, memory and huge pages; nothing where
// that is not known.
func layOut(t facts.Topology) string {
	if len(t.Gaps) > 0 {
		return ""
	}
	var list []string
	for _, n := range t.Nodes {
		text := fmt.Sprintf("node %d: CPUs %s, %s", n.Number, shown(n.CPUs), facts.Size(n.MemoryBytes))
		if pages := reserve(n.HugePages); pages != "" {
			text += ", huge pages " + pages
		}
		list = append(list, text)
	}
	for _, core := range t.Cores {
		list = append(list, "core "+core.CPUs)
	}
	if t.Isolated != "" {
		list = append(list, "isolated "+t.Isolated)
	}
	return strings.Join(list, "; ")
}

// rest tells what needs no words of its own.
func (c *comparison) rest() {
	for _, d := range facts.Differences(others(c.was.Survey), others(c.is.Survey)) {
		change := Change{}
		if d.What == "firmware" {
			change.path = d.Name
		}
		switch {
		case d.Gone:
			c.say(change, "%s %s is %s", d.What, d.Name, gone(c.is.Survey.AreaGaps()))
		case d.New:
			c.say(change, "%s %s is %s", d.What, d.Name, fresh(c.was.Survey.AreaGaps()))
		default:
			c.say(change, "%s", d)
		}
	}
}

func others(s *facts.Survey) facts.Survey {
	return facts.Survey{Guard: s.Guard, ROMs: s.ROMs, Shims: s.Shims, Stores: s.Stores, Firmware: s.Firmware, Libvirt: facts.Virtualization{Pools: s.Libvirt.Pools}}
}

// gaps tells what the older survey knew and this one does not.
func (c *comparison) gaps() {
	type place struct{ fact, path string }
	before := map[place]bool{}
	for _, g := range c.was.Survey.AreaGaps() {
		before[place{g.Fact, g.Path}] = true
	}
	for _, g := range c.is.Survey.AreaGaps() {
		if !before[place{g.Fact, g.Path}] {
			c.say(Change{}, "not known any more: %s (%s: %s)", g.Fact, g.Path, g.Reason)
		}
	}
}

// Touch adds to changes what a layout states of them.
func Touch(changes []Change, layout *spec.Layout, was, is *facts.Index) {
	before, now := assess.NewCase(layout, was, nil), assess.NewCase(layout, is, nil)
	for i := range changes {
		c := &changes[i]
		if c.host {
			c.touches("host", layout.Host.At)
		}
		for n := range layout.Controllers {
			c.controller(&layout.Controllers[n], before, now)
		}
		if g := layout.Guest(c.guest); g != nil {
			c.touches("guest "+g.Name, g.At)
		}
		for _, g := range layout.Guests {
			if c.path != "" && g.Firmware == c.path {
				c.touches("firmware of guest "+g.Name, g.At)
			}
		}
		for _, s := range layout.Shims {
			if c.path != "" && s.Donor == c.path {
				c.touches("shim "+s.Name, s.At)
			}
		}
	}
}

func (c *Change) touches(what string, at spec.Place) {
	c.Touches = append(c.Touches, Statement{what, at})
}

// controller adds what is stated of a controller that the change is about: one
// that was or is the function, or that is told from others by its kind alone.
func (c *Change) controller(stated *spec.Controller, before, now *assess.Case) {
	for _, m := range stated.Return.Mounts {
		if c.path == m.Path {
			c.touches("mount "+m.Partition+" of controller "+stated.Name, m.At)
		}
	}
	meant := slices.Contains(before.Found(stated.Name).Functions, c.was) || slices.Contains(now.Found(stated.Name).Functions, c.is) || alike(stated, c.was) || alike(stated, c.is)
	if !meant {
		return
	}
	if c.partition == "" {
		c.touches("controller "+stated.Name, stated.At)
		return
	}
	if stated.Drive != nil {
		for _, p := range stated.Drive.Partitions {
			if p.Name == c.partition {
				c.touches("partition "+p.Name+" of controller "+stated.Name, p.At)
			}
		}
	}
	for _, m := range stated.Return.Mounts {
		if m.Partition == c.partition {
			c.touches("mount "+m.Partition+" of controller "+stated.Name, m.At)
		}
	}
}

// alike tells whether a controller is stated by what a function is.
func alike(stated *spec.Controller, f *facts.Function) bool {
	switch {
	case f == nil:
		return false
	case stated.NVMe != nil:
		return f.NVMe != nil && f.NVMe.Serial == stated.NVMe.Serial
	case stated.PCI == nil: // a virtual function is stated by its parent
		return false
	default:
		return stated.PCI.Vendor == f.Vendor && stated.PCI.Device == f.Device && (stated.PCI.Function == nil || *stated.PCI.Function == int(f.Address.Function)) ||
			slices.Contains(stated.PCI.Functions, spec.Kind{Vendor: f.Vendor, Device: f.Device})
	}
}
