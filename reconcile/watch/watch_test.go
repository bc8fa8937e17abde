package watch_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/watch"
	"lendkeep/spec"
)

// world is larch as it really is, from which sights are taken: grading and
// second may borrow reel, third borrows spare, catalogue lives on reel's shelf,
// and stranger may borrow nothing.
type world struct {
	t        require.TestingT
	now      time.Time
	boot     int
	answers  bool // libvirt does
	ordered  bool
	rules    guard.Rules
	wrong    string
	home     map[string]bool   // by controller: the host's driver has it
	dead     map[string]bool   // by controller: it is not to be found
	has      map[string]string // by controller: the guest whose live definition names it
	runs     map[string]int    // libvirt's number of each guest that runs
	next     int
	mounted  bool
	notes    []watch.Event // of the hook, not taken over yet
	noteless bool
	watcher  *watch.Watcher
	history  []watch.Event
}

var (
	controllers = []string{"reel", "spare"}
	borrowers   = map[string][]string{"grading": {"reel"}, "second": {"reel"}, "third": {"spare"}, "stranger": {"reel"}}
)

func newWorld(t require.TestingT) *world {
	w := &world{t: t, now: time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC), answers: true, mounted: true,
		home: map[string]bool{"reel": true, "spare": true}, dead: map[string]bool{}, has: map[string]string{}, runs: map[string]int{}}
	b := w.builder()
	layout := invented.Layout(
		[]spec.Controller{invented.Controller("reel", "RL-4410-0073", "shelf", "/srv/shelf"), invented.Controller("spare", "RL-4410-0088")},
		[]spec.Guest{invented.Guest("grading", "reel"), invented.Guest("second", "reel"), invented.Guest("third", "spare"), invented.Guest("catalogue")})
	w.rules = order.CompileRules(assess.NewCase(layout, facts.NewIndex(&b.Survey), nil))
	require.Len(t, w.rules.Controllers, 2)
	w.restart()
	w.look(t)
	return w
}

// builder gives the host as it stands.
func (w *world) builder() *invented.Builder {
	b := invented.NewBuilder()
	at := map[string]facts.Address{"reel": b.NVMe("RL-4410-0073", "start", "shelf"), "spare": b.NVMe("RL-4410-0088")}
	if w.mounted {
		b.Mount("nvme0n1p2", "/srv/shelf")
	}
	records := map[string]facts.Identity{"reel": b.Identity("reel", at["reel"]), "spare": b.Identity("spare", at["spare"])}
	for _, name := range controllers {
		f := b.Function(at[name])
		switch {
		case w.dead[name]:
			f.NVMe.State = "dead"
		case !w.home[name]:
			f.Driver, f.NVMe = "vfio-pci", nil
		}
	}
	for _, name := range []string{"grading", "second", "third", "stranger", "catalogue"} {
		image := ""
		if name == "catalogue" {
			image = "/srv/shelf/catalogue.qcow2"
		}
		var lent []facts.Identity
		for _, c := range controllers {
			if w.has[c] == name {
				lent = append(lent, records[c])
			}
		}
		b.Guest(name, image, lent...)
		if id := w.runs[name]; id > 0 {
			b.Run(name)
			g := &b.Survey.Libvirt.Guests[len(b.Survey.Libvirt.Guests)-1]
			g.Live.XML = strings.Replace(g.Live.XML, "<domain ", fmt.Sprintf("<domain id='%d' ", id), 1)
		}
	}
	b.Survey.Guard.Hook, b.Survey.Guard.Rules = guard.Script, "installed"
	if !w.answers {
		b.Survey.Libvirt = facts.Virtualization{Gaps: []facts.Gap{{Fact: "guests and pools", Path: "qemu:///system", Reason: "connection refused"}}}
	}
	return b
}

// restart begins a new process that knows only the history.
func (w *world) restart() {
	w.watcher = watch.NewWatcher(watch.Fold(w.history))
	began := watch.Event{At: w.now, Kind: watch.Began}
	w.watcher.Note(began)
	w.history = append(w.history, began)
}

// look takes the hook's notes over, looks, and gives what was said.
func (w *world) look(t require.TestingT) []watch.Event {
	b := w.builder()
	w.watcher.Note(w.notes...)
	w.history = append(w.history, w.notes...)
	w.notes = nil
	said, _ := w.watcher.Look(watch.Sight{Now: w.now, Boot: fmt.Sprint("boot", w.boot), Facts: facts.NewIndex(&b.Survey), Rules: w.rules, RulesWrong: w.wrong, Ordered: w.ordered, Noteless: w.noteless})
	for _, e := range said {
		again, err := watch.Decode(e.Encode())
		require.NoError(t, err)
		e.Version = watch.Version
		require.Equal(t, e, again)
	}
	w.history = append(w.history, said...)
	return said
}

func (w *world) pass(d time.Duration) { w.now = w.now.Add(d) }

// start starts a guest as libvirt does, with or without its hook.
func (w *world) start(guest string, hook bool) {
	w.next++
	w.runs[guest] = w.next
	for _, c := range borrowers[guest] {
		w.has[c], w.home[c] = guest, false
		if c == "reel" {
			w.mounted = false
		}
	}
	if hook {
		w.notes = append(w.notes, watch.Event{At: w.now, Kind: watch.Checked, Guest: guest, Controllers: borrowers[guest], Unmounted: []string{"/srv/shelf"}})
	}
}

// end ends a guest; comes says whether what it had comes home.
func (w *world) end(guest string, comes bool) {
	delete(w.runs, guest)
	for c, holder := range w.has {
		if holder != guest {
			continue
		}
		delete(w.has, c)
		w.home[c] = comes
		w.mounted = w.mounted || comes && c == "reel"
	}
}

// kinds gives the kinds of what was said, alarms with their keys.
func kinds(events []watch.Event) []string {
	list := []string{}
	for _, e := range events {
		text := string(e.Kind)
		if e.Key != "" {
			text += " " + e.Key
		}
		if e.Way != "" {
			text += " " + string(e.Way)
		}
		list = append(list, text)
	}
	return list
}

func TestLendAndReturn(t *testing.T) {
	w := newWorld(t)
	w.start("grading", true)
	w.pass(3 * time.Second)
	said := w.look(t)
	assert.Equal(t, []string{"lent start"}, kinds(said))
	assert.Equal(t, watch.Event{At: w.now, Kind: watch.Lent, Controller: "reel", Serial: "RL-4410-0073", Guest: "grading", Session: "boot0/1",
		Way: watch.ByStart, Took: 3 * time.Second, Unmounted: []string{"/srv/shelf"}}, said[0])
	assert.Empty(t, w.look(t))

	lent := w.now
	w.pass(time.Hour)
	w.end("grading", true)
	w.notes = append(w.notes, watch.Event{At: w.now, Kind: watch.Released, Guest: "grading", Took: 2 * time.Second})
	said = w.look(t)
	assert.Equal(t, []string{"returned home"}, kinds(said))
	assert.Equal(t, watch.Event{At: w.now, Kind: watch.Returned, Controller: "reel", Serial: "RL-4410-0073", Guest: "grading",
		Since: lent, Way: watch.Home, Took: 2 * time.Second, Mounted: []string{"/srv/shelf"}}, said[0])
	assert.Empty(t, w.look(t))

	loans := watch.Loans(w.history)
	require.Len(t, loans, 1)
	assert.Equal(t, w.now, loans[0].Return.At)
}

func TestWhatIsSaid(t *testing.T) {
	long := time.Minute
	for name, c := range map[string]struct {
		do   func(*world)
		says []string
		then func(*world)
		next []string
	}{
		"a start without the hook": {func(w *world) { w.start("grading", false) }, []string{"lent unchecked", "alarm unchecked reel"},
			func(w *world) { w.end("grading", true) }, []string{"returned home", "alarm is over unchecked reel"}},
		"a start where nobody notes anything": {func(w *world) { w.noteless = true; w.start("grading", false) }, []string{"lent start"}, nil, nil},
		"a device plugged into a guest seen without it": {func(w *world) { w.runs["second"] = 9 }, []string{},
			func(w *world) { w.has["reel"], w.home["reel"], w.mounted = "second", false, false }, []string{"lent plugged in", "alarm unchecked reel"}},
		"a guest that the layout lends nothing": {func(w *world) { w.start("stranger", true) }, []string{"lent start", "alarm holder reel"},
			func(w *world) { w.end("stranger", true) }, []string{"returned home", "alarm is over holder reel"}},
		"not back": {func(w *world) { w.start("grading", true); w.look(w.t); w.end("grading", false) }, []string{"let go"},
			func(w *world) { w.pass(long) }, []string{"alarm back reel"}},
		"back after the alarm": {func(w *world) {
			w.start("grading", true)
			w.look(w.t)
			w.end("grading", false)
			w.look(w.t)
			w.pass(long)
		},
			[]string{"alarm back reel"}, func(w *world) { w.home["reel"], w.mounted = true, true }, []string{"returned home", "alarm is over back reel"}},
		"back without its mount": {func(w *world) { w.start("grading", true); w.look(w.t); w.end("grading", true); w.mounted = false },
			[]string{"let go"}, func(w *world) { w.pass(long) }, []string{"returned home", "alarm mount /srv/shelf reel"}},
		"back without its mount, by an order": {func(w *world) {
			w.start("grading", true)
			w.look(w.t)
			w.end("grading", true)
			w.mounted, w.ordered = false, true
		},
			[]string{"returned home"}, nil, nil},
		"dead when it comes back": {func(w *world) { w.start("grading", true); w.look(w.t); w.end("grading", true); w.dead["reel"] = true },
			[]string{"let go"}, func(w *world) { w.pass(long) }, []string{"alarm back reel"}},
		"dead at home": {func(w *world) { w.dead["spare"] = true }, []string{}, func(w *world) { w.pass(long) }, []string{"alarm gone spare"}},
		"dead while lent": {func(w *world) { w.start("third", true); w.look(w.t); w.dead["spare"], w.home["spare"] = true, true }, []string{},
			func(w *world) { w.pass(long) }, []string{"alarm gone spare"}},
		"straight to the next guest": {func(w *world) {
			w.start("grading", true)
			w.look(w.t)
			w.end("grading", false)
			w.start("second", true)
		},
			[]string{"returned passed on", "lent start"}, nil, nil},
		"ended and started between two looks": {func(w *world) {
			w.start("grading", true)
			w.look(w.t)
			w.end("grading", true)
			w.start("grading", true)
		},
			[]string{"returned unseen", "lent start"}, nil, nil},
		"libvirt away while lent": {func(w *world) { w.start("grading", true); w.look(w.t); w.answers = false }, []string{},
			func(w *world) { w.pass(2 * long) }, []string{"alarm libvirt"}},
		"back while libvirt is away": {func(w *world) { w.start("grading", true); w.look(w.t); w.answers = false; w.end("grading", true) },
			[]string{"returned home"}, func(w *world) { w.answers = true }, []string{}},
		"the guest died while libvirt was away": {func(w *world) {
			w.start("grading", true)
			w.look(w.t)
			w.answers = false
			w.end("grading", false)
			w.pass(long / 2)
		}, []string{}, func(w *world) { w.answers = true }, []string{"let go"}},
		"the watch begins anew": {func(w *world) { w.start("grading", true); w.look(w.t); w.restart() }, []string{}, func(w *world) { w.end("grading", true) }, []string{"returned home"}},
		"lent and returned while nobody watched": {func(w *world) { w.start("grading", true); w.look(w.t); w.end("grading", true); w.restart() },
			[]string{"returned home"}, nil, nil},
		"the host restarted with the controller out": {func(w *world) { w.start("grading", true); w.look(w.t); w.end("grading", true); w.boot++; w.restart() },
			[]string{"returned host restarted"}, nil, nil},
		"the host restarted, and the guest with it": {func(w *world) {
			w.start("grading", true)
			w.look(w.t)
			w.end("grading", true)
			w.boot, w.next = w.boot+1, 0
			w.restart()
			w.start("grading", true)
		}, []string{"returned host restarted", "lent start"}, nil, nil},
		"the host restarted, and it is not there": {func(w *world) { w.start("grading", true); w.look(w.t); w.end("grading", false); w.boot++; w.restart() },
			[]string{"let go"}, func(w *world) { w.pass(long) }, []string{"alarm back reel"}},
		"the host has it and a guest too": {func(w *world) { w.start("third", true); w.home["spare"] = true }, []string{},
			func(w *world) { w.pass(long) }, []string{"alarm two spare"}},
		"unmounted by hand": {func(w *world) { w.mounted = false }, []string{}, func(w *world) { w.pass(long) }, []string{"alarm mount /srv/shelf reel"}},
		"unmounted and mounted": {func(w *world) { w.mounted = false }, []string{},
			func(w *world) { w.pass(long / 4); w.look(w.t); w.mounted = true; w.pass(long) }, []string{}},
		"rules that somebody damaged": {func(w *world) { w.wrong = "they are of version 9" }, []string{}, func(w *world) { w.pass(long) }, []string{"alarm rules"}},
		"a lend of which the rules no longer know": {func(w *world) {
			w.start("third", true)
			w.look(w.t)
			w.rules.Controllers, w.rules.Guests = w.rules.Controllers[:1], nil
		}, []string{"returned dropped"}, nil, nil},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			c.do(w)
			assert.Equal(t, c.says, kinds(w.look(t)))
			if c.then != nil {
				c.then(w)
				assert.Equal(t, c.next, kinds(w.look(t)))
			}
		})
	}
}

func TestFoundAtTheVeryBeginning(t *testing.T) {
	w := newWorld(t)
	w.start("grading", false)
	w.history = nil
	w.restart()
	assert.Equal(t, []string{"lent found"}, kinds(w.look(t)))
}

// A start that fails after its check must not speak for what is plugged in later.
func TestCheckOfAFailedStartIsNoCheck(t *testing.T) {
	w := newWorld(t)
	w.notes = append(w.notes, watch.Event{At: w.now, Kind: watch.Checked, Guest: "grading", Controllers: []string{"reel"}},
		watch.Event{At: w.now, Kind: watch.Released, Guest: "grading", Controllers: []string{"reel"}})
	w.start("grading", false)
	assert.Equal(t, []string{"lent unchecked", "alarm unchecked reel"}, kinds(w.look(t)))
}

func TestAlarmSaysWhoIsHeldBack(t *testing.T) {
	for on, says := range map[string]string{"hold": "; held back until it is: catalogue", "alarm": "; not held back, by on_failure: catalogue"} {
		w := newWorld(t)
		w.rules.Controllers[0].OnFailure = on
		w.mounted = false
		w.look(t)
		w.pass(time.Minute)
		said := w.look(t)
		require.Len(t, said, 1)
		assert.Equal(t, "shelf of controller reel is not mounted at /srv/shelf"+says, said[0].Text)
		assert.True(t, said[0].Loud())
	}
}

// What the guard saw when it did not mount something is told with the return and
// with the alarm, until it has mounted it.
func TestSaysWhyTheGuardHasNotMounted(t *testing.T) {
	w := newWorld(t)
	returned := func(not []guard.NotMade, mounted []string) (way, alarm watch.Event) {
		w.start("grading", true)
		w.look(t)
		w.pass(time.Hour)
		w.end("grading", true)
		w.mounted = false
		w.notes = append(w.notes, watch.Event{At: w.now, Kind: watch.Released, Guest: "grading", NotMade: not, Mounted: mounted})
		w.look(t)
		w.pass(time.Minute)
		said := w.look(t)
		require.Equal(t, []string{"returned home", "alarm mount /srv/shelf reel"}, kinds(said))
		w.mounted = true
		w.look(t)
		return said[0], said[1]
	}
	back, alarm := returned([]guard.NotMade{{Controller: "reel", Partition: "attic", Why: "gone"}, {Controller: "reel", Partition: "shelf", Why: "it was not left clean"}}, nil)
	assert.Equal(t, []string{"shelf is not mounted at /srv/shelf (the guard at 2026-11-25 07:00:00: it was not left clean)"}, back.Wrong)
	assert.Equal(t, "shelf of controller reel is not mounted at /srv/shelf (the guard at 2026-11-25 07:00:00: it was not left clean); held back until it is: catalogue", alarm.Text)

	back, _ = returned(nil, []string{"/srv/shelf"}) // and then somebody has unmounted it
	assert.Equal(t, []string{"shelf is not mounted at /srv/shelf"}, back.Wrong)
}

func TestStandingIsRemembered(t *testing.T) {
	w := newWorld(t)
	w.start("grading", false)
	w.look(t)
	w.end("grading", false)
	w.look(t)
	w.pass(time.Minute)
	w.look(t)
	all := watch.Fold(w.history)
	kept := watch.Fold(all.Standing())
	require.Len(t, kept.Lends, 1)
	require.Len(t, kept.Alarms, 1)
	assert.Equal(t, all.Lends["reel"].At, kept.Lends["reel"].At)
	assert.Equal(t, all.Lends["reel"].LetGo, kept.Lends["reel"].LetGo)
	assert.Equal(t, all.Alarms["back reel"].At, kept.Alarms["back reel"].At)
	assert.True(t, kept.Watched)
	for _, e := range all.Standing() {
		assert.False(t, e.Loud())
	}
	assert.Equal(t, watch.Loans(w.history), watch.Loans(append(w.history, all.Standing()...)))
}

func TestDecodeIsStrict(t *testing.T) {
	good := string(watch.Event{Kind: watch.Lent, Guest: "grading"}.Encode())
	_, err := watch.Decode([]byte(good))
	require.NoError(t, err)
	for _, bad := range []string{"", "{}", good + "{}", strings.Replace(good, `"v":1`, `"v":2`, 1), strings.Replace(good, "guest", "guests", 1)} {
		_, err := watch.Decode([]byte(bad))
		assert.Error(t, err, bad)
	}
}

// FuzzDecode: what decodes is written as it was read, and can be folded.
func FuzzDecode(f *testing.F) {
	f.Add([]byte(`{"v":1,"at":"2026-11-25T06:00:00Z","kind":"lent","controller":"reel","guest":"grading"}`))
	f.Fuzz(func(t *testing.T, record []byte) {
		e, err := watch.Decode(record)
		if err != nil {
			return
		}
		again, err := watch.Decode(e.Encode())
		require.NoError(t, err)
		require.Equal(t, string(e.Encode()), string(again.Encode()))
		l := watch.Fold([]watch.Event{e, e})
		require.LessOrEqual(t, len(l.Lends), 1)
		l.Standing()
		watch.Loans([]watch.Event{e, e})
	})
}

// A card that does not show what it did is awaited like a drive, then told; what is
// left to the operator is told with its return, and is no alarm.
func TestCardsReturn(t *testing.T) {
	b := invented.NewBuilder()
	at := b.Network("eth3")
	card := b.Identity("card", at)
	rules := guard.Rules{Format: guard.Format, Controllers: []guard.Controller{{Identity: card, Within: 30 * time.Second, OnFailure: "hold", Shown: guard.ShownBy(facts.NewIndex(&b.Survey), card)}},
		Guests: []guard.Guest{{Name: "films", Borrows: []string{"card"}}}}
	now := time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)
	w := watch.NewWatcher(watch.Fold([]watch.Event{{Kind: watch.Began, At: now}, {Kind: watch.Lent, At: now, Controller: "card", Guest: "films", Session: "boot0 1", Way: watch.ByStart}}))
	look := func(after time.Duration) (said []string) {
		now = now.Add(after)
		events, _ := w.Look(watch.Sight{Now: now, Boot: "boot0", Facts: facts.NewIndex(&b.Survey), Rules: rules})
		for _, e := range events {
			if e.Controller == "card" {
				said = append(said, string(e.Kind)+": "+e.String())
			}
		}
		return said
	}
	b.Function(at).Interfaces = nil
	assert.Equal(t, []string{"let go: films has let go of card, which is not home yet"}, look(time.Second))
	said := look(31 * time.Second)
	require.Len(t, said, 2)
	assert.Contains(t, said[0], "returned: card is back from films")
	assert.Contains(t, said[0], "wrong: network interface eth3 of 0000:d0:00.0 of controller card has not appeared")
	assert.Contains(t, said[1], "alarm: network interface eth3 of 0000:d0:00.0 of controller card has not appeared")
	b.Function(at).Interfaces = []facts.Interface{{Name: "eth4"}}
	said = look(time.Second)
	require.Len(t, said, 1)
	assert.Contains(t, said[0], "alarm is over: no longer: network interface eth3")

	w = watch.NewWatcher(watch.Fold([]watch.Event{{Kind: watch.Began, At: now}, {Kind: watch.Lent, At: now, Controller: "card", Guest: "films", Session: "boot0 1", Way: watch.ByStart}}))
	said = look(time.Second)
	require.Len(t, said, 1, "no alarm")
	assert.Contains(t, said[0], "returned: card is back from films")
	assert.Contains(t, said[0], "has another name now, of eth4")

	rules.Controllers[0].Shown[0].Interfaces = []guard.Card{{Name: "eth4", Up: true, Addresses: []string{"192.0.2.7/24"}}}
	w = watch.NewWatcher(watch.Fold([]watch.Event{{Kind: watch.Began, At: now}, {Kind: watch.Lent, At: now, Controller: "card", Guest: "films", Session: "boot0 1", Way: watch.ByStart}}))
	assert.Len(t, look(time.Second), 1, "the host's configuration has some time")
	said = look(31 * time.Second)
	require.Len(t, said, 1, "no alarm: a person took it down")
	assert.Contains(t, said[0], "returned: card is back from films")
	assert.NotContains(t, said[0], "wrong: ")
	assert.Contains(t, said[0], "network interface eth4 of 0000:d0:00.0 of controller card is down, without 192.0.2.7/24 that it had")
	assert.Empty(t, look(time.Minute))

	rules.Controllers[0].Shown[0].Interfaces = []guard.Card{{Name: "eth4"}} // made while it was down
	b.Function(at).Interfaces = []facts.Interface{{Name: "eth4", Up: true, Addresses: []string{"192.0.2.8/24"}}}
	assert.Empty(t, look(time.Minute))
	b.Function(at).Interfaces = []facts.Interface{{Name: "eth4"}}
	assert.Empty(t, look(time.Minute), "somebody has set it down for a lend")
	w.Note(watch.Event{Kind: watch.Lent, At: now, Controller: "card", Guest: "films", Session: "boot0 2", Way: watch.ByStart})
	look(time.Second)
	said = look(31 * time.Second)
	require.Len(t, said, 1)
	assert.Contains(t, said[0], "network interface eth4 of 0000:d0:00.0 of controller card is down, without 192.0.2.8/24 that it had")
}

// What the host itself has to set up again is told with the return.
func TestWhatIsLeftIsTold(t *testing.T) {
	for _, kind := range []watch.Kind{watch.Released, watch.Returned} {
		e := watch.Event{Kind: kind, Controller: "card", Guest: "grading", Way: watch.Home, Left: []string{"interface eth3 is down"}}
		assert.True(t, strings.HasSuffix(e.String(), "; interface eth3 is down"), e.String())
	}
}
