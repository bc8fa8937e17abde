package watch_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/watch"
)

// TestEveryLendHasOneReturn: whatever sequence of starts, ends, crashes, plugs,
// restarts of libvirt, of the watch and of the host is seen, and however seldom
// somebody looks: no controller is ever lent twice at a time, every lend has
// exactly one return or is open, what a restarted watch knows is what the old
// one knew, and once things have settled history agrees with the host.
func TestEveryLendHasOneReturn(t *testing.T) {
	met := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		seen := map[string]bool{}
		done := ""
		for range rapid.IntRange(1, 60).Draw(t, "how many") {
			deed := rapid.SampledFrom([]string{"start", "start", "start", "end", "end", "end", "plug", "plug", "plug", "daemon", "watch", "host", "pass", "unmount", "dies", "heals"}).Draw(t, "deed")
			guest := rapid.SampledFrom([]string{"grading", "second", "third", "stranger"}).Draw(t, "guest")
			sure := rapid.Bool().Draw(t, "sure")
			done += fmt.Sprintf("; %s %s %v", deed, guest, sure)
			w.deed(deed, guest, sure)
			w.pass(time.Duration(rapid.IntRange(0, 40).Draw(t, "seconds")) * time.Second)
			if rapid.IntRange(0, 2).Draw(t, "look") == 0 {
				continue
			}
			w.look(t)
			for c, holder := range w.has {
				if w.answers && !w.home[c] {
					seen[fmt.Sprintf("%s %s boot%d/%d", c, holder, w.boot, w.runs[holder])] = true
				}
			}
			if rapid.IntRange(0, 7).Draw(t, "check") == 0 { // what breaks stays broken
				sound(t, w, seen, done)
			}
		}
		sound(t, w, seen, done)
		settled(t, w, seen, done, met)
	})
	for _, kind := range []string{"lent start", "lent unchecked", "lent plugged in", "returned home", "returned passed on", "returned host restarted",
		"alarm back reel", "alarm unchecked reel", "alarm holder reel", "alarm libvirt", "alarm mount /srv/shelf reel", "alarm gone spare"} {
		require.Positive(t, met[kind], "the property never met %s: %v", kind, met)
	}
}

// deed is one thing that happens on the host.
func (w *world) deed(deed, guest string, sure bool) {
	wants := borrowers[guest][0]
	free := w.has[wants] == "" && !w.dead[wants]
	switch deed {
	case "start":
		if w.answers && w.runs[guest] == 0 && free {
			w.start(guest, sure)
		}
	case "end": // or it is killed
		if w.runs[guest] != 0 {
			w.end(guest, sure && w.answers) // while libvirt is away nobody takes anything back
			w.notes = append(w.notes, watch.Event{At: w.now, Kind: watch.Released, Guest: guest})
		}
	case "plug":
		switch {
		case w.answers && w.runs[guest] == 0 && !sure:
			w.next++
			w.runs[guest] = w.next
		case w.answers && w.runs[guest] != 0 && free:
			w.has[wants], w.home[wants] = guest, false
			w.mounted = w.mounted && wants != "reel"
		case w.answers && w.has[wants] == guest:
			delete(w.has, wants)
			w.home[wants] = true
		}
	case "daemon":
		w.answers = !w.answers
	case "watch":
		w.restart()
	case "host":
		w.boot, w.next, w.runs, w.has, w.answers, w.mounted = w.boot+1, 0, map[string]int{}, map[string]string{}, true, sure
		w.home = map[string]bool{"reel": true, "spare": true}
		w.restart()
	case "pass":
		w.pass(time.Minute)
	case "unmount":
		w.mounted = w.has["reel"] == "" && w.home["reel"] && sure
	case "dies":
		w.dead[wants] = w.has[wants] == ""
	case "heals":
		for _, c := range controllers {
			w.dead[c], w.home[c] = false, w.has[c] == ""
		}
	}
}

// sound holds what must be after every look.
func sound(t *rapid.T, w *world, seen map[string]bool, done string) {
	open := map[string]string{}
	lends := map[string]int{}
	for _, e := range w.history {
		switch {
		case e.Kind == watch.Lent && !e.Again:
			require.Empty(t, open[e.Controller], "lent twice at a time: %s", done)
			open[e.Controller] = e.Guest
			lends[e.Controller+" "+e.Guest+" "+e.Session]++
		case e.Kind == watch.Returned:
			require.Equal(t, e.Guest, open[e.Controller], "returned by somebody else: %s", done)
			delete(open, e.Controller)
		}
	}
	for lend := range seen {
		require.Positive(t, lends[lend], "%s was seen and is not in the history: %s", lend, done)
	}
	for lend := range lends {
		require.True(t, seen[lend], "%s is in the history and was never so: %s", lend, done)
	}
	anew := watch.Fold(w.history)
	require.Equal(t, w.watcher.Ledger.Lends, anew.Lends, done)
	require.Equal(t, w.watcher.Ledger.Alarms, anew.Alarms, done)
	require.Equal(t, w.watcher.Ledger.Last, anew.Last, done)
	require.Len(t, open, len(anew.Lends), done)
}

// settled lets everything come to rest and holds history against the host.
func settled(t *rapid.T, w *world, seen map[string]bool, done string, met map[string]int) {
	for range 4 {
		w.pass(time.Minute)
		w.look(t)
	}
	for _, c := range controllers {
		lend, open := w.watcher.Ledger.Lends[c]
		_, back := w.watcher.Ledger.Alarms["back "+c]
		_, gone := w.watcher.Ledger.Alarms["gone "+c]
		_, unchecked := w.watcher.Ledger.Alarms["unchecked "+c]
		switch {
		case !w.answers:
			require.Contains(t, w.watcher.Ledger.Alarms, "libvirt", done)
		case w.has[c] != "":
			require.True(t, open, "%s is lent and history does not say so: %s", c, done)
			require.Equal(t, w.has[c], lend.Guest, done)
			require.Equal(t, lend.Way == watch.Unchecked || lend.Way == watch.Plugged, unchecked, done)
		case w.dead[c]:
			require.True(t, back || gone, "%s is dead and nobody was told: %s", c, done)
		case w.home[c]:
			require.False(t, open || back || gone || unchecked, "%s is home and history does not say so: %s", c, done)
		default:
			require.Equal(t, open, back, "%s is out and nobody was told: %s", c, done)
		}
	}
	_, missing := w.watcher.Ledger.Alarms["mount /srv/shelf reel"]
	require.True(t, !w.answers || missing == (w.home["reel"] && !w.dead["reel"] && !w.mounted), done)
	for _, kind := range kinds(w.history) {
		met[kind]++
	}
}
