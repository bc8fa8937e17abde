package watch

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// How long something must be seen before it is an alarm: libvirt and the kernel
// pass through such moments when a guest starts or ends (a whole start takes
// about 5 s, measured with libvirt 9.0.0 on an emulated host).
const (
	settles      = 10 * time.Second
	unreachable  = time.Minute // libvirt, which is restarted by updates
	soonest      = time.Second // between two looks while something is awaited
	defaultLimit = 30 * time.Second
)

// Sight is what one look has to go by.
type Sight struct {
	Now        time.Time
	Boot       string // identifies the host's run since it was switched on
	Facts      *facts.Index
	Rules      guard.Rules
	RulesWrong string // why the installed rules cannot be used; Rules are then the last good ones
	Ordered    bool   // an order is being carried out: mounts are its matter
	Noteless   bool   // nobody notes checks of starts here, as on a stand-in
}

// Watcher knows what was seen before: the history, and since when this process
// has seen what is not an alarm yet.
type Watcher struct {
	Ledger  *Ledger
	doubts  map[string]time.Time
	ran     map[string]string           // session of each guest that ran at the last look
	shown   map[string]guard.Controller // what each controller showed at home while nobody had it
	strange bool                        // nobody has watched before this process
}

// NewWatcher goes on from what the history says.
func NewWatcher(l *Ledger) *Watcher {
	return &Watcher{Ledger: l, doubts: map[string]time.Time{}, shown: map[string]guard.Controller{}, strange: !l.Watched}
}

// Note takes over what the guard has noted.
func (w *Watcher) Note(notes ...Event) {
	for _, e := range notes {
		w.Ledger.Add(e)
	}
}

// Look compares what is known with what is seen. It gives what has happened,
// and after how long to look again because something is awaited; 0: nothing is.
func (w *Watcher) Look(s Sight) ([]Event, time.Duration) {
	l := &look{Watcher: w, Sight: s, seen: map[string]bool{}, known: len(s.Facts.Survey.Libvirt.Gaps) == 0, sessions: map[string]string{}}
	for i := range s.Facts.Survey.Libvirt.Guests {
		if g := &s.Facts.Survey.Libvirt.Guests[i]; g.Live != nil {
			l.sessions[g.Name] = session(s.Boot, g.Live.XML)
		}
	}
	l.surroundings()
	for i := range s.Rules.Controllers {
		l.controller(&s.Rules.Controllers[i])
	}
	l.dropped()
	l.over()
	if l.known {
		w.ran, w.strange = l.sessions, false
	}
	return l.events, l.again
}

// look is one look under way.
type look struct {
	*Watcher
	Sight
	known    bool              // libvirt has answered
	sessions map[string]string // of the guests that run
	seen     map[string]bool   // doubts and alarms that hold, or could not be judged
	events   []Event
	again    time.Duration
}

func (l *look) tell(e Event) {
	e.At = l.Now.UTC()
	l.Ledger.Add(e)
	l.events = append(l.events, e)
}

// await has the next look come soon enough.
func (l *look) await(d time.Duration) {
	d = max(d, soonest)
	if l.again == 0 || d < l.again {
		l.again = d
	}
}

// surroundings: what the watch itself, and the guard, depend on.
func (l *look) surroundings() {
	survey := l.Facts.Survey
	if !l.known {
		l.doubt(Event{Key: "libvirt", Text: "libvirt does not answer: " + survey.Libvirt.Gaps[0].Reason}, unreachable)
	}
	if l.RulesWrong != "" {
		l.doubt(Event{Key: "rules", Text: "the guard's rules cannot be used, so that guests that borrow do not start: " + l.RulesWrong}, settles)
	}
	if condition := survey.Guard.Condition(); condition != "installed" {
		l.doubt(Event{Key: "guard", Text: "starts are not guarded; the guard is " + condition}, settles)
	}
}

// doubt raises an alarm once something wrong has been seen for that long.
func (l *look) doubt(e Event, patience time.Duration) {
	l.seen[e.Key] = true
	if _, raised := l.Ledger.Alarms[e.Key]; raised {
		return
	}
	since, doubted := l.doubts[e.Key]
	if !doubted {
		since = l.Now
		l.doubts[e.Key] = since
	}
	if left := since.Add(patience).Sub(l.Now); left > 0 {
		l.await(left)
		return
	}
	e.Kind = Alarm
	l.tell(e)
}

// undecided keeps the alarms about a controller as they are.
func (l *look) undecided(controller string) {
	for key := range l.Ledger.Alarms {
		if strings.HasSuffix(key, " "+controller) {
			l.seen[key] = true
		}
	}
	for key := range l.doubts {
		if strings.HasSuffix(key, " "+controller) {
			l.seen[key] = true
		}
	}
}

// over ends the alarms and doubts that nothing speaks for any more.
func (l *look) over() {
	for key := range l.doubts {
		if !l.seen[key] {
			delete(l.doubts, key)
		}
	}
	for _, key := range sortedKeys(l.Ledger.Alarms) {
		if e := l.Ledger.Alarms[key]; !l.seen[key] {
			l.tell(Event{Kind: Over, Key: key, Controller: e.Controller, Serial: e.Serial, Guest: e.Guest, Since: e.At, Text: "no longer: " + e.Text})
		}
	}
}

// dropped ends the lends of controllers that the rules no longer know: nobody
// looks for their return.
func (l *look) dropped() {
	for _, name := range sortedKeys(l.Ledger.Lends) {
		known := slices.ContainsFunc(l.Rules.Controllers, func(c guard.Controller) bool { return c.Identity.Controller == name })
		if lend := l.Ledger.Lends[name]; !known {
			l.tell(Event{Kind: Returned, Controller: name, Serial: lend.Serial, Guest: lend.Guest, Since: lend.At, Way: Dropped})
		}
	}
}

// where finds a controller by the rules, else by what running guests' own
// records say of it: its address may have moved since the rules were made.
func (l *look) where(c *guard.Controller) (facts.Whereabouts, *facts.Function) {
	where, f, _ := l.Facts.Where(c.Identity)
	if where != facts.Gone || f != nil {
		return where, f
	}
	for _, r := range l.Facts.Records(c.Identity.Controller) {
		if r.Serial != c.Identity.Serial {
			continue
		}
		if w, g, _ := l.Facts.Where(r); w != facts.Gone {
			return w, g
		}
	}
	return where, f
}

// holders gives the running guests whose live definition names a controller where it
// is now, a whole slot's by any of its functions.
func (l *look) holders(c *guard.Controller, f *facts.Function) []*facts.Guest {
	of := c.Identity.At(f.Address)
	var list []*facts.Guest
	for i := range l.Facts.Survey.Libvirt.Guests {
		g := &l.Facts.Survey.Libvirt.Guests[i]
		if g.Live != nil && slices.ContainsFunc(g.Live.Hostdevs, func(lent facts.Hostdev) bool { return of.Has(lent.Address) }) {
			list = append(list, g)
		}
	}
	return list
}

// limit is how long a controller may take to come home.
func limit(c *guard.Controller) time.Duration {
	if c.Within == 0 {
		return defaultLimit
	}
	return c.Within
}

// waits says what a controller's absence means to the guests that live on it.
func (l *look) waits(c *guard.Controller, places ...string) string {
	var names []string
	for _, g := range l.Rules.Guests {
		if slices.ContainsFunc(g.LivesOn, func(place string) bool { return slices.Contains(places, place) }) {
			names = append(names, g.Name)
		}
	}
	switch {
	case len(names) == 0:
		return ""
	case c.OnFailure == "hold":
		return fmt.Sprintf("; held back until it is: %s", strings.Join(names, ", "))
	default:
		return fmt.Sprintf("; not held back, by on_failure: %s", strings.Join(names, ", "))
	}
}
