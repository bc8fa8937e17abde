package step

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// Times that guests take, common practice: a start until libvirt has answered,
// a shutdown of an idle system.
const (
	startTakes  = 10 * time.Second
	stopTakes   = 30 * time.Second
	startWithin = 30 * time.Second
	// VFIO clears and pins all of a guest's memory before libvirt answers: of hundreds of
	// gigabytes in small pages that takes minutes.
	startLongest = 10 * time.Minute
)

// StopGuest shuts a guest down.
type StopGuest struct {
	Guest   string           `json:"guest"`
	Limit   time.Duration    `json:"limit_ns"`          // how long the shutdown may take
	LetsGo  []facts.Identity `json:"lets_go,omitempty"` // controllers it holds
	Restart bool             `json:"restart,omitempty"` // a later step starts it again
	// Mounts are those that the guard makes when the guest ends while no order
	// is being carried out, as after a crash of lendkeep: undoing unmounts them.
	Mounts []Filesystem `json:"mounts,omitempty"`
	ByHand []string     `json:"by_hand,omitempty"` // what a person does in it before
}

// Sound implements Checked.
func (s *StopGuest) Sound() error {
	for _, m := range s.Mounts {
		if err := m.Sound(); err != nil {
			return err
		}
	}
	return nil
}

func (s *StopGuest) About() About {
	a := About{Kind: "stop guest", Risk: Stops, Takes: min(stopTakes, s.Limit), Waits: max(s.Limit, startLongest), Within: startWithin,
		Does:   "shut down guest " + s.Guest,
		Undoes: "start guest " + s.Guest + " again; what ran in it does not come back by itself",
		Needs:  []Condition{guestIs(s.Guest, "on")}, Gives: []Condition{guestIs(s.Guest, "off")}}
	for _, name := range s.ByHand {
		a.Needs = append(a.Needs, confirmationIs(name, "given"))
	}
	for _, r := range s.LetsGo {
		a.Gives = append(a.Gives, controllerIs(r.Controller, "let go"))
	}
	return a
}

func (s *StopGuest) Ready(*facts.Index) error { return nil }

// MayUndo refuses to lend the guest its controllers again while the host uses
// them.
func (s *StopGuest) MayUndo(ix *facts.Index) error {
	lent := functionsOf(s.LetsGo)
	for _, r := range s.LetsGo {
		if where, _, _ := ix.Where(r); where == facts.Aside {
			continue
		}
		if err := readyToLend(ix, r, lent, s.Mounts...); err != nil {
			return err
		}
	}
	return nil
}

func (s *StopGuest) Stands(ix *facts.Index) (Standing, string) {
	switch g := ix.Guest(s.Guest); {
	case g == nil: // as after a later step that retires it
		return After, "libvirt knows no guest " + s.Guest
	case g.Running:
		return Before, s.Guest + " is " + g.Condition
	default:
		return After, s.Guest + " is " + g.Condition
	}
}

func (s *StopGuest) Do(ctx context.Context, p Ports) error {
	return p.Guests.Stop(ctx, s.Guest, s.Limit)
}

func (s *StopGuest) Undo(ctx context.Context, p Ports) error {
	survey, err := p.Survey.Survey(ctx)
	if err != nil {
		return err
	}
	ix := facts.NewIndex(&survey)
	for _, m := range s.Mounts {
		if there, _, _ := m.mounted(ix); !there {
			continue
		}
		if err := p.Mounts.Unmount(ctx, m.Path); err != nil {
			return err
		}
	}
	return p.Guests.Start(ctx, s.Guest)
}

// StartGuest starts a guest, and with that lends it its controllers: libvirt
// rebinds them to VFIO (managed='yes') and checks nothing, so Ready does.
type StartGuest struct {
	Guest   string           `json:"guest"`
	Limit   time.Duration    `json:"limit_ns"` // of the shutdown that undoes it
	Borrows []facts.Identity `json:"borrows,omitempty"`
	Frees   []string         `json:"frees,omitempty"`    // paths where nothing of the drives may be mounted
	LivesOn []string         `json:"lives_on,omitempty"` // paths whose mount holds its disks
	Aside   []facts.Identity `json:"aside,omitempty"`    // controllers kept on VFIO for the sake of the group
	Guarded bool             `json:"guarded,omitempty"`  // a step before it installs the guard
	Filled  []string         `json:"filled,omitempty"`   // controllers whose drives earlier steps fill
	ROM     string           `json:"rom,omitempty"`      // path of the option ROM that it boots by
	Shim    string           `json:"shim,omitempty"`     // path of the shim disk that it boots by
	Apart   []string         `json:"apart,omitempty"`    // guests that an order shuts down before, since both cannot run
	Made    []string         `json:"made,omitempty"`     // images of its disks that earlier steps make of drives
	Pages   string           `json:"pages,omitempty"`    // huge pages that a step before it reserves (PagesOn)
	// MorePages are those of other sizes, or on other nodes, that steps before it reserve.
	MorePages []string `json:"more_pages,omitempty"`
	Store     string   `json:"store,omitempty"` // path of its variable store, where a step before it writes to it
	// Kept are functions that it gets and that had a driver_override, which libvirt clears
	// when they come back (src/util/virpci.c, virPCIDeviceUnbindFromStubWithOverride). The
	// host may use them by then, so an undo does not take them from it again.
	Kept []Kept `json:"kept,omitempty"`
}

func (s *StartGuest) About() About {
	a := About{Kind: "start guest", Risk: Starts, Takes: startTakes, Waits: max(s.Limit, startLongest), Within: startWithin,
		Does: "start guest " + s.Guest, Undoes: "shut down guest " + s.Guest,
		Needs: s.needs(), Gives: []Condition{guestIs(s.Guest, "on")}}
	with := ", which borrows "
	for _, r := range s.Borrows {
		a.Does += with + r.Controller
		with = " and "
		a.Gives = append(a.Gives, controllerIs(r.Controller, "lent to "+s.Guest))
	}
	for _, k := range s.Kept {
		a.lost(k)
	}
	return a
}

// Sound implements Checked.
func (s *StartGuest) Sound() error { return soundKept(s.Kept) }

func (s *StartGuest) needs() []Condition {
	list := []Condition{guestIs(s.Guest, "off"), definitionIs(s.Guest, "as planned")}
	for _, r := range s.Borrows {
		list = append(list, controllerIs(r.Controller, "home"))
	}
	for _, r := range s.Aside {
		list = append(list, controllerIs(r.Controller, "aside"))
	}
	for _, path := range s.Frees {
		list = append(list, mountIs(path, "absent"))
	}
	for _, path := range s.LivesOn {
		list = append(list, mountIs(path, "mounted"))
	}
	for _, other := range s.Apart {
		list = append(list, guestIs(other, "off"))
	}
	if s.Guarded {
		list = append(list, guardIs("in force"))
	}
	if s.ROM != "" {
		list = append(list, romIs(s.ROM, "in place"))
	}
	for _, controller := range s.Filled {
		list = append(list, driveIs(controller, "filled"))
	}
	if s.Shim != "" {
		list = append(list, shimIs(s.Shim, "in place"))
	}
	if s.Pages != "" {
		list = append(list, pagesAre(s.Pages, "as planned"))
	}
	for _, more := range s.MorePages {
		list = append(list, pagesAre(more, "as planned"))
	}
	for _, path := range s.Made {
		list = append(list, madeIs(path, "whole"))
	}
	if s.Store != "" {
		list = append(list, variablesAre(s.Store, "as planned"))
	}
	return list
}

// Ready refuses a start that would take a drive from under the host or another
// guest, lend the wrong device, or fail in the kernel.
func (s *StartGuest) Ready(ix *facts.Index) error {
	lent := functionsOf(s.Borrows)
	for _, r := range s.Borrows {
		if err := readyToLend(ix, r, lent); err != nil {
			return err
		}
	}
	for _, path := range s.LivesOn {
		if ix.MountAt(path) == nil {
			return fmt.Errorf("start guest %s: nothing is mounted at %s, where its disks are", s.Guest, path)
		}
	}
	g := ix.Guest(s.Guest)
	if g == nil || g.Kept == nil {
		return nil // libvirt says so
	}
	for _, l := range g.Kept.Hostdevs {
		lent[l.Address] = true
	}
	return cmp.Or(s.readyUndeclared(ix, g.Kept, lent), s.readyBeside(ix, g.Kept), s.readyPages(ix, g.Kept))
}

// readyPages refuses where QEMU would find too few huge pages, unless the kernel makes
// more when it is asked for them.
func (s *StartGuest) readyPages(ix *facts.Index, d *facts.Definition) error {
	short, found, ok := ix.Survey.FreePages().Take(ix.Survey.Topology.Holds(d), false)
	if ok || ix.Survey.Spare(short.SizeBytes) >= short.Pages-found {
		return nil
	}
	return fmt.Errorf("start guest %s: it needs %s of %s %s and finds %d; plan again", s.Guest, plain.Count(short.Pages, "huge page"), facts.Size(short.SizeBytes), short.On(), found)
}

func functionsOf(list []facts.Identity) map[facts.Address]bool {
	all := map[facts.Address]bool{}
	for _, r := range list {
		for _, at := range r.Addresses() {
			all[at] = true
		}
	}
	return all
}

// readyToLend tells whether a controller can be lent now. Mounts that are about
// to be unmounted are no use of it, files in use on them are.
func readyToLend(ix *facts.Index, r facts.Identity, lent map[facts.Address]bool, leaving ...Filesystem) error {
	where, f, _ := ix.Where(r)
	if where != facts.Home {
		return fmt.Errorf("lend %s: it is %s, not home", r.Controller, where)
	}
	if f.Address != r.Address {
		return fmt.Errorf("lend %s: it is at %s, the order was written for %s; plan again", r.Controller, f.Address, r.Address)
	}
	for _, use := range ix.LiveUsesOf(r) {
		if !slices.ContainsFunc(leaving, func(m Filesystem) bool { return m.makes(ix, use) }) {
			return fmt.Errorf("lend %s: the host uses it: %s", r.Controller, use)
		}
	}
	if why := ix.UnaskedOf(r); why != "" {
		return fmt.Errorf("lend %s: %s", r.Controller, why)
	}
	for _, f := range ix.Parts(r) {
		if f.Group == nil {
			return fmt.Errorf("lend %s: %s is in no IOMMU group", r.Controller, f.Address)
		}
		if list := ix.Blockers(*f.Group, lent); len(list) > 0 {
			return fmt.Errorf("lend %s: its IOMMU group cannot be lent: %s: %s", r.Controller, list[0].Function.Title(), list[0].Reason)
		}
	}
	return nil
}

func (s *StartGuest) MayUndo(*facts.Index) error { return nil }

func (s *StartGuest) Stands(ix *facts.Index) (Standing, string) {
	g := ix.Guest(s.Guest)
	if g == nil {
		return Neither, "libvirt knows no guest " + s.Guest
	}
	if !g.Running {
		seen := s.Guest + " is " + g.Condition
		for _, k := range s.Kept {
			if f := ix.Function(k.At); f != nil && !f.OnVFIO() && f.DriverOverride != k.Override {
				seen += fmt.Sprintf("; %s has no driver_override %s any more", k.At, k.Override)
			}
		}
		return Before, seen
	}
	for _, r := range s.Borrows {
		where, _, holder := ix.Where(r)
		if where != facts.Lent || holder != g {
			return Neither, fmt.Sprintf("%s is %s, but %s is %s", s.Guest, g.Condition, r.Controller, where)
		}
	}
	return After, s.Guest + " is " + g.Condition
}

func (s *StartGuest) Do(ctx context.Context, p Ports) error { return p.Guests.Start(ctx, s.Guest) }

func (s *StartGuest) Undo(ctx context.Context, p Ports) error {
	return p.Guests.Stop(ctx, s.Guest, s.Limit)
}
