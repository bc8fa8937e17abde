// Package since tells in words what has changed on a host between two surveys,
// and which statements of a layout that is about. It is pure. Start at Changes.
package since

import (
	"fmt"
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
	turned(c, Change{host: true}, "the host's name", was.Name, is.Name, shown)
	turned(c, Change{}, "the kernel", was.Kernel, is.Kernel, shown)
	turned(c, Change{}, "the kernel's command line", was.CommandLine, is.CommandLine, shown)
	turned(c, Change{}, "the memory", was.MemoryBytes, is.MemoryBytes, facts.Size)
	turned(c, Change{}, "the number of CPUs", was.CPUs, is.CPUs, shown)
	turned(c, Change{}, "the number of IOMMUs in use", was.IOMMUs, is.IOMMUs, shown)
	turned(c, Change{}, "the reserve of huge pages", reserve(was), reserve(is), shown)
	turned(c, Change{}, "libvirt's version", c.was.Survey.Libvirt.Version, c.is.Survey.Libvirt.Version, shown)
}

func reserve(m facts.Machine) string {
	var list []string
	for _, p := range m.HugePages {
		if p.Total > 0 {
			list = append(list, fmt.Sprintf("%d of %s", p.Total, facts.Size(p.SizeBytes)))
		}
	}
	return strings.Join(list, ", ")
}

// rest tells what needs no words of its own.
func (c *comparison) rest() {
	for _, text := range facts.Differences(others(c.was.Survey), others(c.is.Survey)) {
		change := Change{Text: text}
		if image, ok := strings.CutPrefix(text, "firmware "); ok {
			change.path, _, _ = strings.Cut(image, " ")
		}
		c.list = append(c.list, change)
	}
}

func others(s *facts.Survey) facts.Survey {
	return facts.Survey{Guard: s.Guard, ROMs: s.ROMs, Shims: s.Shims, Stores: s.Stores, Firmware: s.Firmware, Libvirt: facts.Virtualization{Pools: s.Libvirt.Pools}}
}

// gaps tells what the older survey knew and this one does not.
func (c *comparison) gaps() {
	type place struct{ fact, path string }
	before := map[place]bool{}
	for _, g := range append(c.was.Survey.Gaps[:len(c.was.Survey.Gaps):len(c.was.Survey.Gaps)], c.was.Survey.Libvirt.Gaps...) {
		before[place{g.Fact, g.Path}] = true
	}
	for _, g := range append(c.is.Survey.Gaps[:len(c.is.Survey.Gaps):len(c.is.Survey.Gaps)], c.is.Survey.Libvirt.Gaps...) {
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
	meant := same(c.was, before.Found(stated.Name).Function) || same(c.is, now.Found(stated.Name).Function) || alike(stated, c.was) || alike(stated, c.is)
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

func same(a, b *facts.Function) bool { return a != nil && a == b }

// alike tells whether a controller is stated by what a function is.
func alike(stated *spec.Controller, f *facts.Function) bool {
	switch {
	case f == nil:
		return false
	case stated.NVMe != nil:
		return f.NVMe != nil && f.NVMe.Serial == stated.NVMe.Serial
	default:
		return stated.PCI != nil && stated.PCI.Vendor == f.Vendor && stated.PCI.Device == f.Device
	}
}
