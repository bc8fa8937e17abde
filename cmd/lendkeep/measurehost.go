package main

import (
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"lendkeep/providers/measure"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
	"lendkeep/reconcile/witness"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// onHost measures a controller that is at home.
func (m *measuring) onHost(c *cobra.Command, dir string) (speed.Result, error) {
	var none speed.Result
	layout, begin, _, err := layoutOf(c.Context(), dir, &m.w)
	if err != nil {
		return none, err
	}
	laid := assess.NewCase(layout, facts.NewIndex(&begin), nil)
	form, path, err := m.atHome(laid)
	if err != nil {
		return none, err
	}
	asked, err := m.asked(form, path)
	if err != nil {
		return none, err
	}
	if m.w.standIn != "" {
		return none, fail(exitUsage, "measure on the host itself", "a stand-in host has no drive that could be measured")
	}
	foretold(c, asked, "to "+path)
	r, err := measure.Measure(c.Context(), asked, m.w.progress.noting("measuring "+m.controller))
	if err != nil {
		return none, foreseen(fmt.Errorf("measure %s: %w", m.controller, err))
	}
	end, err := m.w.facts(c.Context(), "")
	if err != nil {
		return none, err
	}
	host := witness.AtHome(laid.Found(m.controller).Function.Address, laid.Facts, facts.NewIndex(&end))
	r.Program, r.Place.Side, r.Host = number, speed.OnHost, &host
	return r, nil
}

// atHome gives what of the controller can be measured: a mount of its return, which
// is written to, or its one drive, which nothing may use.
func (m *measuring) atHome(laid *assess.Case) (speed.Form, string, error) {
	found := laid.Found(m.controller)
	switch {
	case found.Controller == nil:
		return "", "", unstated("controller", m.controller, spec.Names(laid.Layout.Controllers))
	case found.Where == facts.Lent && found.Holder != nil:
		return "", "", fail(exitUsage, "measure there, --guest "+plain.Quoted(found.Holder.Name), "%s is lent to guest %s", m.controller, found.Holder.Name)
	case found.Function == nil || found.Where != facts.Home:
		return "", "", fail(exitUsage, "lendkeep status LAYOUT tells where it is", "%s is not at home: it is %s %s", m.controller, found.Where, found.Why)
	}
	if m.write {
		path, err := m.mount(laid.Facts, found)
		return speed.Folder, path, err
	}
	path, err := m.unused(laid.Facts, found.Function)
	return speed.Device, path, err
}

// mount gives the folder in which a file is written: one that the layout has mounted
// from this controller, and that is.
func (m *measuring) mount(ix *facts.Index, found assess.Found) (string, error) {
	var there []string
	for _, use := range ix.LiveUses(found.Function.Address) {
		stated := slices.ContainsFunc(found.Controller.Return.Mounts, func(s spec.Mount) bool { return s.Path == use.User })
		if use.Kind == facts.UseMount && stated && (m.folder == "" || m.folder == use.User) && !slices.Contains(there, use.User) {
			there = append(there, use.User)
		}
	}
	switch len(there) {
	case 1:
		return there[0], nil
	case 0:
		return "", fail(exitUsage, "mount it, or leave --write out, which reads the whole drive", "nothing that the layout mounts from %s is mounted %s", m.controller, m.folder)
	}
	return "", fail(exitUsage, "name one with --folder", "%s has several mounts: %s", m.controller, plain.Names(there))
}

// unused gives the drive of a controller that nothing uses, as far as can be known.
func (m *measuring) unused(ix *facts.Index, f *facts.Function) (string, error) {
	if uses := ix.LiveUses(f.Address); len(uses) > 0 {
		return "", fail(exitUsage, "end that use first, or add --write, which measures a mount of it", "measure %s: it is in use: %s", m.controller, uses[0])
	}
	if why := ix.Unasked(f.Address); why != "" {
		return "", fail(exitUsage, "run lendkeep as root", "measure %s: %s", m.controller, why)
	}
	switch drives := ix.Drives(f.Address); len(drives) {
	case 1:
		return "/dev/" + drives[0].Name, nil
	case 0:
		return "", fail(exitUsage, "", "%s has no drive", m.controller)
	default:
		return "", fail(exitUsage, "", "%s has %s, of which none can be named yet", m.controller, plain.Count(len(drives), "drive"))
	}
}
