package again

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/twin"
)

// Own is what earlier orders have left on a host, as it stands on its twin.
type Own struct {
	Guard   *facts.GuardFiles // nil: no guard is installed that can be read
	Defined []Defined         // guests whose definition has lendkeep's note
	Said    []string          // what of it the twin does not have, a sentence each
}

// Defined is a definition for the twin.
type Defined struct{ Guest, XML string }

// OwnOf gives what of lendkeep's own stands on a host, with the functions of its twin
// as that was surveyed. An error is of a definition that the twin has given back and
// that cannot be read.
func OwnOf(host, inside *facts.Index, m *twin.Machine) (Own, error) {
	a := &again{inside: inside, twin: m}
	var own Own
	for i := range host.Survey.Libvirt.Guests {
		g := &host.Survey.Libvirt.Guests[i]
		there := inside.Guest(g.Name)
		if g.Kept == nil || len(g.Kept.Identities) == 0 || there == nil || there.Kept == nil {
			continue
		}
		var noted []facts.Identity
		for _, of := range g.Kept.Identities {
			if is, known := a.identity(of); known {
				noted = append(noted, is)
			} else {
				a.say("guest %s: no note that it borrows %s, which the twin does not have", g.Name, of.Controller)
			}
		}
		xml, err := definition.Noted(there.Kept.XML, noted)
		if err != nil {
			return Own{}, fmt.Errorf("note what guest %s borrows: %w", g.Name, err)
		}
		own.Defined = append(own.Defined, Defined{g.Name, xml})
	}
	if installed := host.Survey.Guard; installed.Known() && installed.GuardFiles != (facts.GuardFiles{}) {
		files := installed.GuardFiles // those of the guard's own are as they are where nobody can read its rules
		if !installed.Ours() {
			a.say("the hook in the guard's place, which is not lendkeep's, does nothing")
			files.Hook = "#!/bin/sh\n# Another hook sits here on the host.\n"
		}
		others := files.Udev != ""
		if rules, err := guard.Installed(installed); err == nil {
			now := a.rules(rules).Files()
			files.Rules = now.Rules
			if files.Udev == guard.UdevRules(rules) {
				files.Udev, others = now.Udev, false
			}
		}
		if others {
			a.say("udev's rules in the guard's place, which are not those that its own rules ask for, do nothing")
			files.Udev = "# Other rules sit here on the host.\n"
		}
		own.Guard = &files
	}
	own.Said = a.said
	return own, nil
}

// identity gives what a record of a controller would say on the twin; false: it is not
// there.
func (a *again) identity(of facts.Identity) (facts.Identity, bool) {
	is := of
	f := a.counterpart(of.Address)
	if f == nil {
		return of, false
	}
	is.Address, is.Vendor, is.Device, is.Model = f.Address, f.Vendor, f.Device, ""
	if of.Whole() {
		var parts []*facts.Function
		for _, address := range of.Addresses() {
			part := a.counterpart(address)
			if part == nil {
				return of, false
			}
			parts = append(parts, part)
		}
		is.Functions = facts.MakesOf(parts)
	}
	return is, !of.IsVirtual() // the twin's functions make no virtual ones
}

// rules gives the guard's rules as they would be on the twin.
func (a *again) rules(of guard.Rules) *guard.Rules {
	r := of
	r.Alarm, r.Controllers, r.Guests = nil, []guard.Controller{}, []guard.Guest{} // as Layout has it
	for _, c := range of.Controllers {
		is, known := a.identity(c.Identity)
		if !known {
			a.say("the guard's rules say nothing of %s, which the twin does not have", c.Identity.Controller)
			continue
		}
		r.Controllers = append(r.Controllers, a.ruled(c, is))
	}
	named := func(name string) bool {
		return slices.ContainsFunc(r.Controllers, func(c guard.Controller) bool { return c.Identity.Controller == name })
	}
	mounted := func(path string) bool {
		return slices.ContainsFunc(r.Controllers, func(c guard.Controller) bool {
			return slices.ContainsFunc(c.Mounts, func(m guard.Mount) bool { return m.Path == path })
		})
	}
	for _, g := range of.Guests {
		g.Borrows = slices.DeleteFunc(slices.Clone(g.Borrows), func(name string) bool { return !named(name) })
		g.LivesOn = slices.DeleteFunc(slices.Clone(g.LivesOn), func(path string) bool { return !mounted(path) })
		if len(g.Borrows)+len(g.LivesOn) > 0 {
			r.Guests = append(r.Guests, g)
		}
	}
	r.Pools = nil // the twin has none
	return &r
}

// ruled gives what the rules say of a controller that is known there by another record.
func (a *again) ruled(c guard.Controller, is facts.Identity) guard.Controller {
	c.Identity = is
	f := a.inside.Function(is.Address)
	if c.Model != "" {
		c.Model = twin.Model
	}
	if f.NVMe != nil && c.SizeBytes != 0 {
		c.SizeBytes = f.NVMe.SizeBytes()
	}
	if c.Slot != "" {
		c.Slot = f.Slot
	}
	if c.Subsystem != "" {
		c.Subsystem = f.Subsystem()
	}
	if is.Serial == "" {
		c.DeviceSerial = f.DeviceSerial
	}
	if len(c.Shown) > 0 {
		c.Shown = guard.ShownBy(a.inside, is)
	}
	return c
}
