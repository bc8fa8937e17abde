package page_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"lendkeep/reconcile/page"
	"lendkeep/reconcile/watch"
)

// ago is a moment that many hours before larch was surveyed.
func ago(hours int) time.Time {
	return time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC).Add(-time.Duration(hours) * time.Hour)
}

func event(hours int, kind watch.Kind) watch.Event {
	return watch.Event{At: ago(hours), Kind: kind, Controller: "reel", Guest: "grading"}
}

// spans writes a band's spans as hours before the survey.
func spans(b page.Band) []string {
	var list []string
	for _, s := range b.Spans {
		list = append(list, string(s.Stay)+" "+s.X.String()+"+"+s.W.String())
	}
	return list
}

// Seven days are 168 hours: one is 0.6 percent.
func TestBands(t *testing.T) {
	began, ended := event(168, watch.Began), event(42, watch.Ended)
	began.Controller, ended.Controller = "", ""
	for name, c := range map[string]struct {
		events   []watch.Event
		watching bool
		want     []string
	}{
		"watched, and nothing was": {[]watch.Event{began}, true, []string{"home 0%+100%"}},
		"nobody watched later":     {[]watch.Event{began, ended}, false, []string{"home 0%+75%"}},
		"a lend":                   {[]watch.Event{began, event(84, watch.Lent), event(42, watch.Returned)}, true, []string{"home 0%+50%", "lent 50%+25%", "home 75%+25%"}},
		"on the way home":          {[]watch.Event{began, event(84, watch.Lent), event(63, watch.LetGo), event(42, watch.Returned)}, true, []string{"home 0%+50%", "lent 50%+12.5%", "returning 62.5%+12.5%", "home 75%+25%"}},
		"not back yet":             {[]watch.Event{began, event(84, watch.Lent), event(42, watch.LetGo)}, true, []string{"home 0%+50%", "lent 50%+25%", "returning 75%+25%"}},
		"killed, then begun again": {[]watch.Event{began, event(126, watch.Lent), event(105, watch.Returned), event(42, watch.Began)}, true, []string{"home 0%+25%", "lent 25%+12.5%", "home 75%+25%"}},
		"lent before the days":     {[]watch.Event{event(300, watch.Began), event(200, watch.Lent), event(126, watch.Returned)}, true, []string{"lent 0%+25%", "home 25%+75%"}},
		"long ago":                 {[]watch.Event{event(300, watch.Began), event(200, watch.Ended)}, false, nil},
	} {
		t.Run(name, func(t *testing.T) {
			b, layout := larch()
			g := given(t, &b.Survey, layout, "")
			g.History, g.NoHistory = &page.History{Events: c.events, Watching: c.watching}, ""
			p := page.Draw(g).Past
			assert.Empty(t, p.Why)
			assert.Equal(t, "reel", p.Bands[0].Name.Text)
			assert.Equal(t, c.want, spans(p.Bands[0]))
		})
	}
}

func TestAlarms(t *testing.T) {
	b, layout := larch()
	g := given(t, &b.Survey, layout, "")
	alarm, over, other, again := event(84, watch.Alarm), event(42, watch.Over), event(21, watch.Refused), event(10, watch.Alarm)
	alarm.Text, over.Text, other.Text, other.Controller, again.Again = "it did not come back", "it is back", "the serial is another", "spare", true
	g.History, g.NoHistory = &page.History{Events: []watch.Event{event(200, watch.Alarm), alarm, over, other, again}}, ""
	p := whole(t, g).Past
	assert.Equal(t, page.Percent(50_00), p.Bands[0].Alarms[0].X)
	assert.Len(t, p.Bands[0].Alarms, 2)
	assert.Equal(t, page.Mention{Text: "spare"}, p.Bands[1].Name)
	assert.Len(t, p.Apart, 3)
	assert.Equal(t, "start refused", p.Apart[0].What)
}

// A history is not known, or there is nothing in it: that is said, nothing is drawn.
func TestNoHistory(t *testing.T) {
	b, layout := larch()
	g := given(t, &b.Survey, layout, "")
	assert.Equal(t, "nobody has asked", page.Draw(g).Past.Why)
	g.History, g.NoHistory = &page.History{}, ""
	assert.Equal(t, "nothing is in the history", page.Draw(g).Past.Why)
}

// Whatever a history says, bands do not overlap themselves, and nothing is drawn of
// times that are not shown; what is not listed is counted.
func TestAnyHistory(t *testing.T) {
	kinds := []watch.Kind{watch.Began, watch.Ended, watch.Lent, watch.LetGo, watch.Returned, watch.Alarm, watch.Refused}
	rapid.Check(t, func(t *rapid.T) {
		b, layout := larch()
		g := given(t, &b.Survey, layout, "")
		h := page.History{Watching: rapid.Bool().Draw(t, "watching")}
		at := 400
		for range rapid.IntRange(1, 60).Draw(t, "events") {
			at -= rapid.IntRange(0, 12).Draw(t, "hours")
			h.Events = append(h.Events, event(at, rapid.SampledFrom(kinds).Draw(t, "kind")))
		}
		g.History, g.NoHistory = &h, ""
		for _, band := range whole(t, g).Past.Bands {
			end := page.Percent(0)
			for _, s := range band.Spans {
				assert.GreaterOrEqual(t, s.X, end-1, "%v", spans(band))
				end = s.X + s.W
			}
			assert.LessOrEqual(t, end, page.Percent(100_00))
		}
	})
}

// What was seen after the survey, as on a stand-in, is shown too.
func TestAfterTheSurvey(t *testing.T) {
	b, layout := larch()
	g := given(t, &b.Survey, layout, "")
	g.History, g.NoHistory = &page.History{Events: []watch.Event{event(-5, watch.Lent)}}, ""
	p := whole(t, g).Past
	assert.Len(t, p.Loans, 1)
	assert.Equal(t, "2026-11-25 11:00:00 UTC", p.To)
}
