package watch

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// controller compares what is known of one controller with where it is.
func (l *look) controller(c *guard.Controller) {
	where, f := l.where(c)
	switch {
	case where == facts.Home:
		l.home(c, f)
	case !l.known:
		// Whether its guest runs, nobody can tell.
		l.undecided(c.Identity.Controller)
	case where == facts.Lent:
		l.away(c, l.holders(c, f))
	default:
		l.out(c, where, f)
	}
}

// away: a running guest has it.
func (l *look) away(c *guard.Controller, holders []*facts.Guest) {
	name := c.Identity.Controller
	lend, open := l.Ledger.Lends[name]
	guest := holders[0]
	for _, g := range holders {
		if open && g.Name == lend.Guest {
			guest = g // whoever had it first has it still
		}
	}
	now := l.sessions[guest.Name]
	switch {
	case open && lend.Guest == guest.Name && lend.Session == now && lend.LetGo.IsZero():
	case open && lend.Guest == guest.Name && lend.Session == now:
		l.tell(Event{Kind: Lent, Controller: name, Serial: c.Identity.Serial, Guest: guest.Name, Session: now, Way: lend.Way, Again: true})
	default:
		if open {
			l.returned(c, lend, l.ended(lend, guest.Name), nil)
		}
		l.lent(c, guest.Name, now)
	}
	if !slices.Contains(l.guestOf(guest.Name).Borrows, name) {
		l.doubt(l.about(c, Event{Key: "holder " + name, Guest: guest.Name, Text: fmt.Sprintf("guest %s has controller %s, which the layout does not lend to it", guest.Name, name)}), 0)
	}
	if len(holders) > 1 {
		l.doubt(l.about(c, Event{Key: "two " + name, Text: fmt.Sprintf("guests %s and %s both run with controller %s", holders[0].Name, holders[1].Name, name)}), settles)
	}
	if way := l.Ledger.Lends[name].Way; way == Unchecked || way == Plugged {
		l.doubt(l.about(c, Event{Key: "unchecked " + name, Guest: guest.Name, Text: fmt.Sprintf("guest %s has controller %s without a check of the guard: %s", guest.Name, name, unchecked[way])}), 0)
	}
}

var unchecked = map[Way]string{
	Unchecked: "libvirt has not called the guard's hook (reload libvirt once), or what the hook noted is lost",
	Plugged:   "it was plugged into the running guest, which libvirt asks nobody about",
}

func (l *look) about(c *guard.Controller, e Event) Event {
	e.Controller, e.Serial = c.Identity.Controller, c.Identity.Serial
	return e
}

func (l *look) guestOf(name string) guard.Guest {
	for _, g := range l.Rules.Guests {
		if g.Name == name {
			return g
		}
	}
	return guard.Guest{}
}

// lent notes a lend and how it came about.
func (l *look) lent(c *guard.Controller, guest, session string) {
	name := c.Identity.Controller
	e := l.about(c, Event{Kind: Lent, Guest: guest, Session: session})
	check, checked := l.Ledger.checks[guest]
	checked = checked && slices.Contains(check.Controllers, name)
	before, ran := l.ran[guest]
	switch {
	case checked:
		e.Way, e.Took, e.Unmounted = ByStart, max(l.Now.Sub(check.At), 0), check.Unmounted
	case ran && before == session:
		e.Way = Plugged
	case l.strange:
		e.Way = Found
	case l.Noteless:
		e.Way = ByStart
	default:
		e.Way = Unchecked
	}
	l.tell(e)
}

// ended says why a lend is over although nobody has seen it end.
func (l *look) ended(lend Lend, next string) Way {
	switch {
	case bootOf(lend.Session) != bootOf(l.sessions[next]):
		return Restarted
	case lend.Guest != next || !lend.LetGo.IsZero():
		return Passed
	default:
		return Unseen
	}
}

// home: it is with the host's driver, works, and has the right serial.
func (l *look) home(c *guard.Controller, f *facts.Function) {
	name := c.Identity.Controller
	lend, open := l.Ledger.Lends[name]
	if holders := l.holders(c, f); len(holders) > 0 {
		// As in the moments of a start or an end. It is not over before the
		// guest has let go.
		l.doubt(l.about(c, Event{Key: "two " + name, Guest: holders[0].Name, Text: fmt.Sprintf("guest %s runs with controller %s in its definition, but the host has it", holders[0].Name, name)}), settles)
		return
	}
	lacking, patience := l.lacking(c, f), limit(c)
	if !open {
		l.learn(c, f)
	}
	if open {
		if lacking.awaited() {
			if over := l.ends(c, lend); l.Now.Before(over) {
				l.await(over.Sub(l.Now))
				return
			}
		}
		patience = 0 // what may still come was waited for
		way := Home
		if l.Boot != bootOf(lend.Session) && lend.Session != "" {
			way = Restarted
		}
		l.returned(c, l.Ledger.Lends[name], way, slices.Concat(lacking.wait, lacking.unmounted, lacking.wrong), append(lacking.owed, lacking.left...)...)
	}
	if l.Ordered {
		l.undecided(name)
		return
	}
	for _, m := range lacking.mounts {
		l.doubt(l.about(c, Event{Key: "mount " + m.Path + " " + name, Text: fmt.Sprintf("%s of controller %s is not mounted at %s%s%s", m.Partition, name, m.Path, l.unmounted(c, m), l.waits(c, m.Path))}), patience)
	}
	if rest := append(lacking.wait, lacking.wrong...); len(rest) > 0 {
		l.doubt(l.about(c, Event{Key: "whole " + name, Text: strings.Join(rest, "; ") + l.waits(c, paths(c)...)}), patience)
	}
}

// learn notes what interfaces have that nobody borrows: rules that were made while they
// were down know nothing of it.
func (l *look) learn(c *guard.Controller, f *facts.Function) {
	here := c.Identity.At(f.Address)
	seen := guard.Controller{Identity: here, Shown: guard.ShownBy(l.Facts, here)}
	seen.Recall(l.shown[here.Controller])
	l.shown[here.Controller] = seen
}

// lacking is what a controller at home does not show as it should.
type lacking struct {
	mounts    []guard.Mounting
	unmounted []string // of these, in words
	wait      []string
	owed      []string // both in words: what may still come, the second by the host's own configuration
	wrong     []string
	left      []string // for the operator: no alarm
}

func (l lacking) awaited() bool { return len(l.wait)+len(l.owed)+len(l.unmounted) > 0 }

// lacking asks what the guard would do after a return: nothing, if all is well.
func (l *look) lacking(c *guard.Controller, f *facts.Function) lacking {
	here := *c
	here.Identity.Address = f.Address
	here.Renew(l.shown[c.Identity.Controller])
	alone := guard.Rules{Controllers: []guard.Controller{here}, Guests: []guard.Guest{{Name: "anybody", Borrows: []string{c.Identity.Controller}}}}
	left := guard.After(alone, l.Facts, guard.Call{Guest: "anybody"})
	found := lacking{mounts: left.Mount, wait: left.Lacks(), owed: left.Owed(), wrong: left.Words(), left: left.Left}
	if l.Ordered { // it mounts, or not, as it says
		return found
	}
	for _, m := range left.Mount {
		found.unmounted = append(found.unmounted, fmt.Sprintf("%s is not mounted at %s%s", m.Partition, m.Path, l.unmounted(c, m)))
	}
	return found
}

// unmounted gives what the guard said when it last looked after a mount and did
// not make it; that may be long ago, so its time is told.
func (l *look) unmounted(c *guard.Controller, m guard.Mounting) string {
	var at time.Time
	text := ""
	for _, noted := range l.Ledger.releases {
		if noted.At.Before(at) {
			continue
		}
		if slices.Contains(noted.Mounted, m.Path) {
			at, text = noted.At, ""
		}
		for _, not := range noted.NotMade {
			if not.Controller == c.Identity.Controller && not.Partition == m.Partition {
				at, text = noted.At, fmt.Sprintf(" (the guard at %s: %s)", noted.At.UTC().Format(time.DateTime), not.Why)
			}
		}
	}
	return text
}

// ends notes that a guest has let a controller go, and gives the time by which
// it should be back.
func (l *look) ends(c *guard.Controller, lend Lend) time.Time {
	if lend.LetGo.IsZero() {
		l.tell(l.about(c, Event{Kind: LetGo, Guest: lend.Guest, Since: lend.At}))
		lend.LetGo = l.Now
	}
	return lend.LetGo.Add(limit(c))
}

// out: on a VFIO driver with no guest, or not to be found.
func (l *look) out(c *guard.Controller, where facts.Whereabouts, f *facts.Function) {
	name := c.Identity.Controller
	lend, open := l.Ledger.Lends[name]
	text := fmt.Sprintf("controller %s is %s", name, whereNow(where, f))
	switch {
	case !open && where == facts.Aside: // an order may have put it there
		l.undecided(name)
	case !open:
		l.doubt(l.about(c, Event{Key: "gone " + name, Text: text + l.waits(c, paths(c)...)}), limit(c))
	case l.has(lend, c, f):
		l.doubt(l.about(c, Event{Key: "gone " + name, Guest: lend.Guest, Text: fmt.Sprintf("%s, while guest %s runs with it", text, lend.Guest)}), settles)
	default:
		if over := l.ends(c, lend); l.Now.Before(over) {
			l.await(over.Sub(l.Now))
			return
		}
		l.doubt(l.about(c, Event{Key: "back " + name, Guest: lend.Guest, Since: lend.At, Text: fmt.Sprintf("controller %s did not come back from guest %s: it is %s%s", name, lend.Guest, whereNow(where, f), l.waits(c, paths(c)...))}), 0)
	}
}

// has tells whether the guest of a lend still runs with the controller in its
// definition.
func (l *look) has(lend Lend, c *guard.Controller, f *facts.Function) bool {
	of := c.Identity
	if f != nil {
		of = of.At(f.Address)
	}
	g := l.Facts.Guest(lend.Guest)
	if g == nil || g.Live == nil || l.sessions[lend.Guest] != lend.Session {
		return false
	}
	return slices.ContainsFunc(g.Live.Hostdevs, func(lent facts.Hostdev) bool { return of.Has(lent.Address) })
}

func whereNow(where facts.Whereabouts, f *facts.Function) string {
	switch {
	case where == facts.Aside:
		return "on a VFIO driver with no guest"
	case f == nil:
		return "not to be found"
	case f.NVMe != nil:
		return f.NVMe.State + ", or shares its serial with another"
	case f.Driver == "":
		return "at " + f.Address.String() + " without a driver"
	default:
		return "not working at " + f.Address.String()
	}
}

// returned notes the end of a lend.
func (l *look) returned(c *guard.Controller, lend Lend, way Way, wrong []string, left ...string) {
	e := l.about(c, Event{Kind: Returned, Guest: lend.Guest, Since: lend.At, Way: way, Wrong: wrong, Left: left})
	if !lend.LetGo.IsZero() {
		e.Took = l.Now.Sub(lend.LetGo)
	}
	if noted, known := l.Ledger.releases[lend.Guest]; known && noted.At.After(lend.At) {
		// The guard had waited before libvirt told anybody, and perhaps climbed.
		e.Took, e.Rung = max(e.Took, noted.Took), noted.Rung
	}
	if way == Home || way == Restarted {
		for _, m := range c.Mounts {
			if l.Facts.MountAt(m.Path) != nil {
				e.Mounted = append(e.Mounted, m.Path)
			}
		}
	}
	l.tell(e)
}

func paths(c *guard.Controller) []string {
	var list []string
	for _, m := range c.Mounts {
		list = append(list, m.Path)
	}
	return list
}
