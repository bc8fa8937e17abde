package since

import (
	"slices"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
)

// guests tells of every guest that libvirt knows.
func (c *comparison) guests() {
	for i := range c.was.Survey.Libvirt.Guests {
		was := &c.was.Survey.Libvirt.Guests[i]
		if is := c.is.Guest(was.Name); is != nil {
			c.guest(was, is)
		} else {
			c.say(Change{guest: was.Name}, "guest %s is %s", was.Name, gone(c.is.Survey.Libvirt.Gaps))
		}
	}
	for _, g := range c.is.Survey.Libvirt.Guests {
		if c.was.Guest(g.Name) == nil {
			c.say(Change{guest: g.Name}, "guest %s is %s and %s", g.Name, fresh(c.was.Survey.Libvirt.Gaps), g.Condition)
		}
	}
}

func (c *comparison) guest(was, is *facts.Guest) {
	of := Change{guest: was.Name}
	if was.UUID != is.UUID {
		c.say(of, "guest %s is another one of that name", was.Name)
	}
	turned(c, of, "guest "+was.Name, was.Condition, is.Condition, shown)
	turned(c, of, "whether guest "+was.Name+" starts with the host", was.Autostart, is.Autostart, yes)
	switch before, now := was.Kept, is.Kept; {
	case before == nil && now == nil:
	case now == nil:
		c.say(of, "%s", either(c.is.Survey.Libvirt.Gaps, "guest "+was.Name+" has no kept definition any more", "the kept definition of guest "+was.Name+" is not seen"))
	case before == nil:
		c.say(of, "guest %s has a kept definition now%s", was.Name, either(c.was.Survey.Libvirt.Gaps, "", notBefore))
	case !definition.Same(before.XML, now.XML):
		c.definition(of, before, now)
	}
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// definition tells how a kept definition has changed, or that it has.
func (c *comparison) definition(of Change, was, is *facts.Definition) {
	before, guest := len(c.list), "guest "+of.guest
	turned(c, of, "the memory of "+guest, was.MemoryBytes, is.MemoryBytes, facts.Size)
	turned(c, of, "the number of CPUs of "+guest, was.CPUs, is.CPUs, shown)
	for _, at := range without(was.Functions(), is.Functions()) {
		c.say(of, "%s no longer borrows %s", guest, titled(c.was, at))
	}
	for _, at := range without(is.Functions(), was.Functions()) {
		c.say(of, "%s borrows %s now", guest, titled(c.is, at))
	}
	for _, source := range without(sources(was), sources(is)) {
		c.say(of, "%s no longer has disk %s", guest, source)
	}
	for _, source := range without(sources(is), sources(was)) {
		c.say(of, "%s has disk %s now", guest, source)
	}
	if len(c.list) == before {
		c.say(of, "the definition of %s has changed", guest)
	}
}

func titled(ix *facts.Index, at facts.Address) string {
	if f := ix.Function(at); f != nil {
		return f.Title()
	}
	return "what should be at " + at.String()
}

func sources(d *facts.Definition) []string {
	var list []string
	for _, disk := range d.Disks {
		if disk.Source != "" {
			list = append(list, disk.Source)
		}
	}
	return list
}

func without[T comparable](list, others []T) []T {
	return slices.DeleteFunc(slices.Clone(list), func(v T) bool { return slices.Contains(others, v) })
}
