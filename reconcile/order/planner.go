package order

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// planner collects the steps that are missing between host and layout; what
// comes first is sequence's matter.
type planner struct {
	c     *assess.Case
	steps []step.Written
	stops map[string]bool           // guests that a step shuts down
	guard bool                      // a step installs the guard
	hands map[string][]*step.ByHand // by guest
	rests map[string][]facts.Answer // because of which there are no more of them, by controller

	installed func() guard.Rules // those on the host, read once
}

func (p *planner) add(s step.Step, why spec.Place) {
	p.steps = append(p.steps, step.Written{Step: s, Why: why})
}

func (p *planner) plan() error {
	p.stops, p.hands, p.rests = map[string]bool{}, map[string][]*step.ByHand{}, map[string][]facts.Answer{}
	p.installed = sync.OnceValue(func() guard.Rules { return installedRules(p.c) })
	p.byHand() // first, since a person who says no should find the host untouched
	lends := p.c.Lends()
	if !lends {
		p.installWatch() // it reads the guard's rules, so it goes before they do
	}
	p.installGuard()
	if lends {
		p.installWatch()
	}
	p.back()
	for i := range p.c.Layout.Guests {
		if err := p.guest(&p.c.Layout.Guests[i]); err != nil {
			return err
		}
	}
	p.keepPages()
	for i := range p.c.Layout.Controllers {
		found := p.c.Found(p.c.Layout.Controllers[i].Name)
		if found.Function == nil {
			continue
		}
		p.makeVirtual(found)
		p.controller(found)
		p.fill(found)
	}
	return nil
}

// installGuard brings the guard in line: there with these rules while anything
// is lent, else not there. Where it cannot be installed a finding says so.
func (p *planner) installGuard() {
	now := p.c.Facts.Survey.Guard
	s := &step.InstallGuard{Before: now.GuardFiles}
	if p.c.Lends() {
		rules := CompileRules(p.c)
		if installed, ok := guard.Current(now.Rules, rules); ok {
			rules = installed
		}
		s.After = &rules
	}
	if !now.Known() || !now.Ours() || s.After != nil && !now.Program {
		return
	}
	// Before the first order there is nothing to hold them to, and it takes a while
	// to write those of a large host.
	if (s.After == nil || now.Rules != "") && s.Files() == s.Before {
		return
	}
	p.guard = s.After != nil
	p.add(s, p.c.Layout.Host.At)
}

// installWatch brings the service that watches in line, as installGuard does.
func (p *planner) installWatch() {
	now := p.c.Facts.Survey.Watch
	s := &step.InstallWatch{Before: now.WatchFiles, After: p.c.Lends(), Guarded: p.guard}
	guarded := p.guard || p.c.Facts.Survey.Guard.Rules != ""
	if s.Files() == s.Before || !now.Known() || !now.Systemd || !now.Ours() || s.After && (!now.Program || !guarded) {
		return
	}
	p.add(s, p.c.Layout.Host.At)
}

// guest: stop it, define it, start it, as far as each is missing.
func (p *planner) guest(g *spec.Guest) error {
	now := p.c.Facts.Guest(g.Name)
	if g.Retired {
		if now != nil {
			p.retire(g, now)
		}
		return nil
	}
	if p.c.Awaits(g) {
		if now != nil && now.Running && !p.c.Runs(g) {
			p.stop(g, false)
		}
		return nil
	}
	change := p.c.Change(g)
	if change.Err != nil {
		return fmt.Errorf("guest %s: %w", g.Name, change.Err)
	}
	p.placeAids(g, change)
	entry, _ := p.c.Entry(g)
	define := len(change.Changes) > 0
	runs := p.c.Runs(g)
	running := now != nil && now.Running
	if running && (define || entry != nil || !runs) {
		p.stop(g, runs)
		running = false
	}
	if define {
		p.add(&step.DefineGuest{Guest: g.Name, Before: change.Before, Wanted: change.Wanted}, g.At)
	}
	if entry != nil {
		p.add(&step.WriteEntry{Guest: g.Name, Store: entry.Store.Path, StoreSum: entry.Store.SHA256, Entry: entry.NewEntry}, g.Entry.At)
	}
	if runs && !running {
		p.start(g)
	}
	return nil
}

// placeAids builds the option ROM or the shim disk that a guest starts by.
func (p *planner) placeAids(g *spec.Guest, change assess.Change) {
	if rom := change.ROM; rom != nil {
		p.place(&step.PlaceROM{Controller: g.Boots.Name, Donor: rom.Donor.Path, DonorSum: rom.Donor.SHA256, ROM: rom.ROM}, g.Shim.At)
	}
	if shim := change.Shim; shim != nil && shim.Donor != nil {
		p.place(&step.PlaceShim{Controller: p.c.Found(g.Boots.Name).Identity(), Donor: shim.Donor.Path, DonorSum: shim.Donor.SHA256, Shim: shim.Shim, Copied: p.c.Filling(g.Boots.Name).Copy != nil}, g.Shim.At)
	}
}

// place adds the step that builds a boot aid, where nothing lies at its path and
// once for all guests that share it.
func (p *planner) place(s step.Placer, why spec.Place) {
	there, _, _ := s.Places().Lies(p.c.Facts)
	planned := func(w step.Written) bool {
		other, places := w.Step.(step.Placer)
		return places && other.Places() == s.Places()
	}
	if !there && !slices.ContainsFunc(p.steps, planned) {
		p.add(s, why)
	}
}

func shimOf(shim *assess.PlannedShim) string {
	if shim == nil {
		return ""
	}
	return shim.Path
}

func pathOf(rom *assess.PlannedROM) string {
	if rom == nil {
		return ""
	}
	return rom.Path
}

func (p *planner) retire(g *spec.Guest, now *facts.Guest) {
	if now.Running {
		p.stop(g, false)
	}
	if now.Kept != nil {
		p.add(&step.RetireGuest{Guest: g.Name, Before: now.Kept.XML, Autostart: now.Autostart}, g.At)
	}
}

func (p *planner) stop(g *spec.Guest, restart bool) {
	s := &step.StopGuest{Guest: g.Name, Limit: g.Stop, Restart: restart}
	for _, hand := range p.hands[g.Name] {
		s.ByHand = append(s.ByHand, hand.Name())
	}
	for i := range p.c.Layout.Controllers {
		found := p.c.Found(p.c.Layout.Controllers[i].Name)
		if found.Holder != nil && found.Holder.Name == g.Name {
			s.LetsGo = append(s.LetsGo, found.Identity())
			for _, rule := range found.Controller.Return.Mounts {
				s.Mounts = append(s.Mounts, filesystemOf(found, rule))
			}
			slices.SortStableFunc(s.Mounts, func(a, b step.Filesystem) int { return strings.Compare(b.Path, a.Path) }) // inner ones go first
		}
	}
	p.stops[g.Name] = true
	p.add(s, p.whyRuns(g))
}

func (p *planner) start(g *spec.Guest) {
	s := &step.StartGuest{Guest: g.Name, Limit: g.Stop, Guarded: p.guard && len(g.Borrows) > 0, Made: step.Makes(p.steps, g.Name), ROM: pathOf(p.c.Change(g).ROM), Shim: shimOf(p.c.Change(g).Shim)}
	if entry, _ := p.c.Entry(g); entry != nil {
		s.Store = entry.Store.Path
	}
	if pages := p.pagesOf(g); len(pages) > 0 {
		s.Pages, s.MorePages = pages[0], pages[1:]
	}
	for _, ref := range g.Borrows {
		found := p.c.Found(ref.Name)
		s.Borrows = append(s.Borrows, found.Identity())
		if f := p.c.Filling(ref.Name); f.Fills() {
			s.Filled = append(s.Filled, ref.Name)
		}
		for _, f := range found.Functions {
			for _, companion := range p.c.Companions(f) {
				if r := companion.Identity(); !slices.Contains(s.Aside, r) {
					s.Aside = append(s.Aside, r)
				}
			}
		}
		for _, m := range found.Controller.Return.Mounts {
			s.Frees = append(s.Frees, m.Path)
		}
	}
	s.Apart, s.Kept = p.c.Apart(g), step.KeptOf(p.c.Gets(g)...)
	for _, on := range p.c.LivesOn(g) {
		s.LivesOn = append(s.LivesOn, on.Path)
	}
	p.add(s, p.whyRuns(g))
}

// whyRuns gives the line that says whether a guest runs: of the shift, or its
// own.
func (p *planner) whyRuns(g *spec.Guest) spec.Place {
	if p.c.Shift == nil {
		return g.At
	}
	for _, ref := range p.c.Shift.Guests {
		if ref.Name == g.Name {
			return ref.At
		}
	}
	return p.c.Shift.At
}

// controller: bring it home, keep it aside, mount or unmount what is on it.
func (p *planner) controller(found assess.Found) {
	sake := p.c.KeptAside(found)
	borrower := p.c.Borrower(found.Controller.Name)
	home, shown := found.Where == facts.Home, guard.ShownBy(p.c.Facts, found.Identity())
	switch {
	case found.Where == facts.Lent && p.stops[found.Holder.Name]:
		p.takeBack(found, false)
		home, shown = true, p.installed().Saw(found.Identity())
	case found.Where == facts.Aside && sake == "":
		p.takeBack(found, true)
		home = true
	}
	if home && sake != "" {
		p.add(&step.SetAside{Controller: found.Identity(), For: sake, Shown: shown, Kept: step.KeptOf(found.Functions...)}, found.Controller.At)
		home = false
	}
	rules := slices.SortedFunc(slices.Values(found.Controller.Return.Mounts), func(a, b spec.Mount) int { return strings.Compare(a.Path, b.Path) })
	for _, rule := range rules { // outer ones before those in them
		p.mount(found, rule, home && borrower == nil)
	}
}

func (p *planner) takeBack(found assess.Found, idle bool) {
	s := &step.TakeBack{Controller: found.Identity(), Limit: found.Controller.Return.Within, Idle: idle}
	for _, f := range found.Functions {
		if idle && f.OnVFIO() && len(found.Functions) > 1 {
			s.Out = append(s.Out, f.Address)
		}
	}
	if !idle {
		s.Guest = found.Holder.Name
	}
	s.Shown = p.installed().Saw(s.Controller)
	p.add(s, found.Controller.Return.At)
}

// mount brings one declared mount in line. While the controller is away the
// partition cannot be seen; it is then known by name alone.
func (p *planner) mount(found assess.Found, rule spec.Mount, wanted bool) {
	fs := filesystemOf(found, rule)
	filling := p.c.Filling(found.Controller.Name)
	after := step.Mount{Filled: filling.Fills(), In: outer(found, rule)}
	if wanted && after.In != "" && !p.mounts(after.In) {
		return // a finding says why the outer one is not mounted
	}
	for _, made := range filling.Filesystems {
		after.Made = append(after.Made, made.On.Name)
	}
	if made := filling.Makes(rule.Partition); made != nil {
		if wanted {
			fs.PartitionID, fs.FSType = made.On.ID, made.Made.Kind
			after.Filesystem = fs
			p.add(&after, rule.At)
		}
		return
	}
	part := p.c.Facts.PartitionNamed(found.Function.Address, rule.Partition)
	if found.Where == facts.Home {
		if part == nil || part.Signature == nil || part.Signature.Usage != "filesystem" {
			return // a finding says so
		}
		fs.PartitionID, fs.FSType = part.Partition.ID, part.Signature.Kind
	}
	m := p.c.Facts.MountAt(rule.Path)
	mounted := m.Of(part, rule.Path)
	switch {
	case mounted && !wanted:
		fs.Options = m.Options
		p.add(&step.Unmount{Filesystem: fs, Users: p.users(found.Function.Address, m), Holds: p.inner(found, rule)}, rule.At)
	case !mounted && wanted:
		after.Filesystem = fs
		p.add(&after, rule.At)
	}
}

// mounts tells whether something is mounted at a path or a step mounts it.
func (p *planner) mounts(path string) bool {
	return p.c.Facts.MountAt(path) != nil || slices.ContainsFunc(p.steps, func(w step.Written) bool {
		m, ok := w.Step.(*step.Mount)
		return ok && m.Path == path
	})
}

// outer gives the path of the nearest stated mount that another one is in. A
// layout states none in the mount of another controller.
func outer(found assess.Found, rule spec.Mount) string {
	nearest := ""
	for _, other := range found.Controller.Return.Mounts {
		if guard.Within(rule.Path, other.Path) && len(other.Path) > len(nearest) {
			nearest = other.Path
		}
	}
	return nearest
}

// inner gives the paths of the stated mounts that are in another one and are
// mounted now.
func (p *planner) inner(found assess.Found, rule spec.Mount) []string {
	var list []string
	for _, other := range found.Controller.Return.Mounts {
		if guard.Within(other.Path, rule.Path) && p.c.Facts.MountAt(other.Path) != nil {
			list = append(list, other.Path)
		}
	}
	return list
}

func filesystemOf(found assess.Found, rule spec.Mount) step.Filesystem {
	return step.Filesystem{Controller: found.Identity(), Partition: rule.Partition, Path: rule.Path, Options: rule.Options, FSType: found.Controller.FormatOf(rule.Partition)}
}

// users gives the guests whose disks are on a mount.
func (p *planner) users(at facts.Address, m *facts.Mount) []string {
	var list []string
	for _, use := range p.c.Uses(at) {
		if use.Kind == facts.UseGuest && use.Mount == m && !slices.Contains(list, use.User) {
			list = append(list, use.User)
		}
	}
	return list
}
