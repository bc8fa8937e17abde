package explore

import (
	"context"
	"sync"
	"time"

	"lendkeep/providers/hook"
	"lendkeep/providers/memory"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

// situation is a host, what the guard has granted, and which starts libvirt has
// asked the guard of and not gone on with. Two that are equal are one.
type situation struct {
	host   *place
	grants [controllers]grant // by controller
	lives  [livers]grant      // of what a guest that is being started lives on, by guest
	under  uint16             // guests whose start is under way, by bit
	dead   uint16             // guests that were killed while libvirtd was down, which does not know yet
	down   bool               // libvirtd
	late   uint16             // guests that have ended, but whose controllers the guard has not taken back yet
}

// grant is a file in the guard's folder: the guest, from 1, and its age in
// minutes. That goes by a clock that nobody sets.
type grant struct {
	guest, age int8
}

// passes is what passes at once, in whole minutes: more than a grant lasts.
const passes = hook.GrantFor + time.Minute

func (g grant) holds() bool { return g.guest != 0 && time.Duration(g.age)*time.Minute <= hook.GrantFor }

// world is what does not change, and what is known of hosts.
type world struct {
	places
	rules  guard.Rules
	layout *spec.Layout
	plant  hole
	done   sync.Map // outcome by act
	plans  sync.Map // order.Sealed, or nothing, by aim
}

// aim is a host and the shift that is planned on it.
type aim struct {
	on    *place
	shift string
}

// act is something done to a host; what comes of it is the same each time.
type act struct {
	on      *place
	what    string
	guest   int
	killed  int
	granted holders // the guests whose grants count
}

// holders are guests by controller, then those that live somewhere.
type holders [controllers + livers]int8

// outcome is the host afterwards, and whether it was done.
type outcome struct {
	host *place
	good bool
}

func (w *world) do(a act, deed func(h *memory.Host) bool) (*place, bool) {
	if known, ok := w.done.Load(a); ok {
		made := known.(outcome)
		return made.host, made.good
	}
	h := a.on.Second()
	good := deed(h)
	made := outcome{w.of(h), good}
	w.done.Store(a, made)
	return made.host, made.good
}

// deed is one thing that may happen. It gives what comes of it; false where it
// cannot happen, or changes nothing.
type deed struct {
	name string
	do   func(w *world, s situation) (situation, bool)
}

// deeds lists everything that happens in the exploration. What somebody mounts or
// unmounts between the guard's word and libvirt's deed nobody can refuse: that is
// left out.
func deeds() []deed {
	var list []deed
	for n, name := range names {
		list = append(list, ofGuest(n, name)...)
		if n < lenders {
			list = append(list, ofLender(n, name)...)
		}
	}
	for _, shift := range []string{"day", "night"} {
		list = append(list, deed{"order for the " + shift, func(w *world, s situation) (situation, bool) { return w.order(s, shift) }})
	}
	return append(list, append(byHand(), ofTheHost...)...)
}

func ofGuest(n int, name string) []deed {
	list := []deed{
		{"start " + name, func(w *world, s situation) (situation, bool) { return w.start(s, n, 0) }},
		{"shut down " + name, func(w *world, s situation) (situation, bool) { return w.end(s, n, false, 0) }},
	}
	if name == "stranger" { // who never gets that far
		return list
	}
	return append(list,
		deed{"begin to start " + name, func(w *world, s situation) (situation, bool) { return w.begin(s, n, 0) }},
		deed{"go on with the start of " + name, func(w *world, s situation) (situation, bool) { return w.goOn(s, n) }})
}

func ofLender(n int, name string) []deed {
	return []deed{
		{"kill " + name, func(w *world, s situation) (situation, bool) { return w.end(s, n, true, 0) }},
		{"shut down " + name + ", what takes it back comes later", func(w *world, s situation) (situation, bool) { return w.end(s, n, false, atOnce) }},
		{"kill " + name + ", what takes it back comes later", func(w *world, s situation) (situation, bool) { return w.end(s, n, true, atOnce) }},
		{"it comes after " + name, func(w *world, s situation) (situation, bool) {
			waited := s.late&(1<<n) != 0
			s.late &^= 1 << n
			return w.back(s, n, 0), waited
		}},
		{"start " + name + ", the guard killed after one unmount", func(w *world, s situation) (situation, bool) { return w.start(s, n, 1) }},
		{"start " + name + ", the guard killed after all of it", func(w *world, s situation) (situation, bool) { return w.start(s, n, afterAll) }},
		{"shut down " + name + ", the guard killed after one mount", func(w *world, s situation) (situation, bool) { return w.end(s, n, false, 1) }},
	}
}

// byHand is what somebody does at the host.
func byHand() []deed {
	var list []deed
	for _, m := range []struct {
		device, path string
		c            int
	}{{"nvme0n1p1", "/mnt", 0}, {"nvme0n1p2", "/srv/shelf", 0}, {"nvme0n1p3", "/srv/shelf/inner", 0}, {"nvme0n1p3", "/srv/shelf/other", 0}, {"nvme1n1p2", "/srv/attic", 1}, {"nvme1n1p2", "/srv/shelf/attic", 1}} {
		list = append(list, deed{"somebody mounts " + m.device + " at " + m.path, func(w *world, s situation) (situation, bool) { return w.mount(s, m.c, m.device, m.path) }})
	}
	for _, path := range []string{"/mnt", "/srv/shelf", "/srv/shelf/inner", "/srv/shelf/other", "/srv/shelf/attic", "/srv/attic"} {
		list = append(list, deed{"somebody unmounts " + path, func(w *world, s situation) (situation, bool) { return w.unmount(s, path) }})
	}
	return list
}

var ofTheHost = []deed{
	{"libvirtd ends", func(w *world, s situation) (situation, bool) {
		if s.down {
			return s, false
		}
		s.down, s.under = true, 0 // and nobody is told of the starts
		return s, true
	}},
	{"libvirtd starts", (*world).libvirtd},
	{"a minute passes", func(w *world, s situation) (situation, bool) { return s.time(time.Minute) }},
	{"time passes", func(w *world, s situation) (situation, bool) { return s.time(passes) }},
}

// lent gives the controllers of a guest's definition.
func (s situation) lent(n int) []int {
	var list []int
	for _, l := range s.host.kept[n].Hostdevs {
		list = append(list, controllerAt(l.Address))
	}
	return list
}

func (s situation) runs(n int) bool { return s.host.runs[n] }

// asks is the call of the guard's program for a guest, with the grants that count.
func (w *world) asks(s situation, n int) (guard.Call, holders) {
	call := guard.Call{Guest: names[n], Definition: *s.host.kept[n]}
	var list holders
	for c, g := range s.grants {
		if g.holds() && w.plant != forgetful {
			list[c] = g.guest
			call.Granted = append(call.Granted, guard.Grant{Address: at[c], Guest: names[g.guest-1]})
		}
	}
	for l, g := range s.lives {
		if g.holds() && w.plant != homeless {
			list[controllers+l] = g.guest
			call.Granted = append(call.Granted, guard.Grant{Place: homes[names[g.guest-1]], Guest: names[g.guest-1]})
		}
	}
	return call, list
}

// begin has libvirt ask the guard of a start.
func (w *world) begin(s situation, n, killed int) (situation, bool) {
	if s.down || s.runs(n) || s.under&(1<<n) != 0 {
		return s, false
	}
	k := program{w.rules, w.plant, killed}
	call, holders := w.asks(s, n)
	if w.plant == shared {
		call.Granted = nil
	}
	var may bool
	s.host, may = w.do(act{s.host, "prepare", n, killed, holders}, func(h *memory.Host) bool { return k.prepare(h, call) })
	if !may {
		return w.released(s, n, 0), true
	}
	if w.plant != grantless {
		for _, c := range s.lent(n) {
			s.grants[c] = grant{guest: int8(n + 1)}
		}
		if l := n - lenders; homes[names[n]] != "" {
			s.lives[l] = grant{guest: int8(n + 1)}
		}
	}
	if killed != 0 { // a hook that does not end well refuses the start
		return w.released(s, n, 0), true
	}
	s.under |= 1 << n
	return s, true
}

// goOn has libvirt do what it has asked the guard of.
func (w *world) goOn(s situation, n int) (situation, bool) {
	if s.under&(1<<n) == 0 {
		return s, false
	}
	s.under &^= 1 << n
	if s.runs(n) {
		return s, true
	}
	host, good := w.do(act{on: s.host, what: "launch", guest: n}, func(h *memory.Host) bool { return h.Launch(context.Background(), names[n]) == nil })
	if !good {
		return w.released(s, n, 0), true
	}
	s.host = host
	s.ended(n)
	return s, true
}

func (w *world) start(s situation, n, killed int) (situation, bool) {
	begun, ok := w.begin(s, n, killed)
	if !ok || begun.under&(1<<n) == 0 {
		return begun, ok
	}
	return w.goOn(begun, n)
}

// ended ends what a guest was granted.
func (s *situation) ended(n int) {
	for c := range s.grants {
		if s.grants[c].guest == int8(n+1) {
			s.grants[c] = grant{}
		}
	}
	if l := n - lenders; homes[names[n]] != "" {
		s.lives[l] = grant{}
	}
}

// released has libvirt tell the guard that a guest has let go.
func (w *world) released(s situation, n, killed int) situation {
	s.ended(n)
	if len(s.lent(n)) == 0 {
		return s
	}
	if killed == atOnce { // libvirt itself waits for the end of the grant
		s.late |= 1 << n
		return s
	}
	return w.back(s, n, killed)
}

// back has the guard look after what a guest had borrowed.
func (w *world) back(s situation, n, killed int) situation {
	k := program{w.rules, w.plant, killed}
	call, holders := w.asks(s, n)
	s.host, _ = w.do(act{s.host, "release", n, killed, holders}, func(h *memory.Host) bool { k.release(h, call); return true })
	return s
}

// end ends a guest, shut down or cut off; one that is cut off leaves what it could
// write to dirty.
func (w *world) end(s situation, n int, cutOff bool, killed int) (situation, bool) {
	switch {
	case !s.runs(n) || s.dead&(1<<n) != 0 || s.down && !cutOff:
		return s, false
	case s.down: // its functions stay on VFIO
		s.dead |= 1 << n
		return s, true
	}
	lent := s.lent(n)
	what := "shut down"
	if cutOff {
		what = "cut off"
	}
	s.host, _ = w.do(act{on: s.host, what: what, guest: n}, func(h *memory.Host) bool {
		for _, c := range lent {
			if cutOff {
				h.Soil(at[c])
			}
		}
		return h.Stop(context.Background(), names[n], time.Minute) == nil
	})
	return w.released(s, n, killed), true
}

// mount has somebody mount a partition.
func (w *world) mount(s situation, c int, device, path string) (situation, bool) {
	for n := range names {
		for _, lent := range s.lent(n) {
			if s.under&(1<<n) != 0 && lent == c {
				return s, false
			}
		}
	}
	host, good := w.do(act{on: s.host, what: "mount " + device + path}, func(h *memory.Host) bool {
		return s.host.index().MountAt(path) == nil && h.Mount(context.Background(), "/dev/"+device, "", path, nil) == nil
	})
	s.host = host
	return s, good
}

func (w *world) unmount(s situation, path string) (situation, bool) {
	for n, name := range names {
		if s.under&(1<<n) != 0 && homes[name] == path {
			return s, false
		}
	}
	host, good := w.do(act{on: s.host, what: "unmount " + path}, func(h *memory.Host) bool { return h.Unmount(context.Background(), path) == nil })
	s.host = host
	return s, good
}

// libvirtd starts, and finds which guests are no more.
func (w *world) libvirtd(s situation) (situation, bool) {
	if !s.down {
		return s, false
	}
	gone := s.dead
	s.down, s.dead = false, 0
	for n := range names {
		if gone&(1<<n) != 0 {
			s, _ = w.end(s, n, true, 0)
		}
	}
	return s, true
}

// time passes where it makes a difference; never so much that a start under way
// outlasts what it was granted.
func (s situation) time(by time.Duration) (situation, bool) {
	there := false
	for _, g := range s.granted() {
		if g.guest == 0 {
			continue
		}
		there = true
		g.age += int8(by / time.Minute)
		if s.under&(1<<(g.guest-1)) != 0 && !g.holds() {
			return s, false
		}
	}
	return s, there
}

// granted gives every grant, of either kind.
func (s *situation) granted() []*grant {
	var list []*grant
	for c := range s.grants {
		list = append(list, &s.grants[c])
	}
	for l := range s.lives {
		list = append(list, &s.lives[l])
	}
	return list
}

// order has somebody plan an order, approve it and carry it out; it is not begun
// while a start is under way.
func (w *world) order(s situation, shift string) (situation, bool) {
	if s.down {
		return s, false
	}
	for _, g := range s.granted() {
		if g.holds() && w.plant != hasty {
			return s, false
		}
	}
	host, good := w.do(act{on: s.host, what: "order " + shift}, func(h *memory.Host) bool { return w.carryOut(s.host, h, shift) })
	s.host = host
	return s, good
}

// carryOut is good when an order was carried out, and then nothing is left to do.
// An order that ends otherwise must leave nothing behind.
func (w *world) carryOut(before *place, h *memory.Host, shift string) bool {
	sealed := w.plan(before, shift)
	if sealed == nil || len(sealed.Order.Steps) == 0 {
		return false
	}
	approval, err := order.Approve(*sealed, sealed.Code())
	if err != nil {
		panic(err)
	}
	carrier := carry.Carrier{Ports: h.Ports(), Journal: journal.New(&fault.Disk{Fault: &fault.Fault{}}), Clock: &clock{sealed.Order.SurveyedAt}}
	report, err := carrier.Out(context.Background(), approval)
	if err != nil {
		panic(err)
	}
	after := w.of(h)
	if left := w.plan(after, shift); report.Ended == carry.Carried && left != nil && len(left.Order.Steps) == 0 {
		return true
	}
	if report.Ended != carry.Restored || after != before {
		after.blame("the order for the " + shift + " ended " + string(report.Ended) + ", neither as before nor as planned: " + report.Note)
	}
	return true
}

// plan gives the order that a host needs for a shift, nil where a finding stops it.
func (w *world) plan(on *place, shift string) *order.Sealed {
	if known, ok := w.plans.Load(aim{on, shift}); ok {
		return known.(*order.Sealed)
	}
	c := assess.NewCase(w.layout, on.index(), w.layout.Shift(shift))
	findings := assess.Assess(c)
	var made *order.Sealed
	if !assess.Stops(findings) {
		o, err := order.Plan(c, findings)
		if err != nil {
			panic(err)
		}
		sealed, err := order.Seal(o)
		if err != nil {
			panic(err)
		}
		made = &sealed
	}
	w.plans.Store(aim{on, shift}, made)
	return made
}

// clock passes only when somebody waits.
type clock struct{ now time.Time }

func (c *clock) Now() time.Time                          { return c.now }
func (c *clock) Wait(_ context.Context, d time.Duration) { c.now = c.now.Add(d) }
func (c *clock) Limit(ctx context.Context, _ time.Duration) (context.Context, context.CancelFunc) {
	return ctx, func() {}
}
