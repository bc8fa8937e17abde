package order_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/watch"
	"lendkeep/spec"
)

func TestWatchIsBroughtInLine(t *testing.T) {
	first, _ := guarded(t, nil)
	there := facts.InstalledWatch{Systemd: true, Program: true}
	with := func(w facts.InstalledWatch, files facts.WatchFiles) facts.InstalledWatch {
		w.WatchFiles = files
		return w
	}
	current := facts.WatchFiles{Unit: watch.Unit, Enabled: true}
	const begin, renew, remove = "install the service that watches lends, and start it", "renew the service that watches lends", "remove the service that watches lends"
	for name, c := range map[string]struct {
		now   facts.InstalledWatch
		lends bool
		does  string // empty: nothing
	}{
		"not there yet":        {there, true, begin},
		"current":              {with(there, current), true, ""},
		"not enabled":          {with(there, facts.WatchFiles{Unit: watch.Unit}), true, renew},
		"an older unit":        {with(there, facts.WatchFiles{Unit: facts.WatchMark + "\n", Enabled: true}), true, renew},
		"another's unit":       {with(there, facts.WatchFiles{Unit: "[Unit]\n"}), true, ""},
		"no systemd":           {facts.InstalledWatch{Program: true}, true, ""},
		"no program":           {facts.InstalledWatch{Systemd: true}, true, ""},
		"it cannot be read":    {facts.InstalledWatch{Systemd: true, Program: true, Gaps: []facts.Gap{{Fact: "watch.unit"}}}, true, ""},
		"nothing is lent":      {with(there, current), false, remove},
		"nothing ever was":     {there, false, ""},
		"without its program ": {facts.InstalledWatch{Systemd: true, WatchFiles: current}, false, remove},
	} {
		_, o := guarded(t, func(b *invented.Builder, l *spec.Layout) {
			b.Survey.Watch, b.Survey.Guard.GuardFiles = c.now, first.Files()
			b.Survey.Guard.Hook = guard.Script
			if !c.lends {
				for i := range l.Guests {
					l.Guests[i].Borrows, l.Guests[i].Boots = nil, nil
				}
			}
		})
		var does []string
		for _, w := range o.Steps {
			if w.Step.About().Kind == "install watch" {
				does = append(does, w.Step.About().Does)
			}
		}
		if c.does == "" {
			assert.Empty(t, does, name)
		} else {
			assert.Equal(t, []string{c.does}, does, name)
		}
		if does != nil && !c.lends {
			assert.Equal(t, remove, o.Steps[0].Step.About().Does, "it goes before the rules that it reads")
		}
	}
	_, o := guarded(t, func(b *invented.Builder, _ *spec.Layout) { b.Survey.Watch = there })
	assert.Equal(t, "install guard", o.Steps[0].Step.About().Kind)
	assert.Equal(t, begin, o.Steps[1].Step.About().Does, "it comes after the rules that it reads")
}
