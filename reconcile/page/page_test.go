package page_test

import (
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	checks "lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/page"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// placed gives each statement of an invented layout a line of its own, each block
// before what is in it, as files have them.
func placed(layout *spec.Layout) *spec.Layout {
	line := 0
	var number func(v reflect.Value)
	number = func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Pointer:
			if !v.IsNil() {
				number(v.Elem())
			}
		case reflect.Slice:
			for i := range v.Len() {
				number(v.Index(i))
			}
		case reflect.Struct:
			if v.Type() == reflect.TypeFor[spec.Place]() {
				return
			}
			if at := v.FieldByName("At"); at.IsValid() && at.Type() == reflect.TypeFor[spec.Place]() {
				line++
				at.Set(reflect.ValueOf(spec.Place{File: "layout.hcl", Line: line, Column: 1}))
			}
			for i := range v.NumField() {
				number(v.Field(i))
			}
		}
	}
	number(reflect.ValueOf(layout))
	return layout
}

// given lays a layout beside facts, for a shift or for none, with an order where
// nothing stops it.
func given(t require.TestingT, survey *facts.Survey, layout *spec.Layout, shift string) page.Given {
	c := checks.NewCase(layout, facts.NewIndex(survey), layout.Shift(shift))
	g := page.Given{Case: c, Findings: checks.Assess(c), NoHistory: "nobody has asked"}
	if o, err := order.Plan(c, g.Findings); err == nil {
		sealed, err := order.Seal(o)
		require.NoError(t, err)
		g.Order = &sealed
	}
	return g
}

// walk visits every struct of a value, at whatever depth.
func walk(v reflect.Value, visit func(reflect.Value)) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			walk(v.Elem(), visit)
		}
	case reflect.Slice:
		for i := range v.Len() {
			walk(v.Index(i), visit)
		}
	case reflect.Struct:
		visit(v)
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				walk(v.Field(i), visit)
			}
		}
	}
}

// places counts the IDs of a page, and gives what leads anywhere.
func places(p page.Page) (ids map[string]int, leads []string) {
	ids = map[string]int{}
	walk(reflect.ValueOf(p), func(v reflect.Value) {
		if id := v.FieldByName("ID"); id.IsValid() {
			ids[id.String()]++
		}
		if v.Type() == reflect.TypeFor[page.Mention]() && v.FieldByName("To").String() != "" || v.Type() == reflect.TypeFor[page.Mark]() {
			leads = append(leads, v.FieldByName("To").String())
		}
	})
	return ids, leads
}

// whole holds that everything has exactly one place, that whatever leads somewhere
// leads to one, and that a finding leads to what it is about and is led back to.
func whole(t require.TestingT, g page.Given) page.Page {
	p := page.Draw(g)
	ids, leads := places(p)
	for id, n := range ids {
		assert.Equal(t, 1, n, "%q is there more than once", id)
	}
	for _, to := range leads {
		assert.Equal(t, 1, ids[to], "%q is led to and not there", to)
	}
	survey := g.Case.Facts.Survey
	for _, f := range survey.Functions {
		assert.Equal(t, 1, ids["pci-"+strings.ReplaceAll(f.Address.String(), ":", "-")], "%s is not drawn", f.Address)
	}
	for _, guest := range survey.Libvirt.Guests {
		assert.Equal(t, 1, ids["guest-"+guest.Name], "guest %s is not drawn", guest.Name)
	}
	for _, guest := range g.Case.Layout.Guests {
		assert.Equal(t, 1, ids["guest-"+guest.Name], "guest %s is not drawn", guest.Name)
	}
	numbers := map[int]bool{}
	for _, check := range p.Findings {
		for _, f := range check.List {
			assert.NotEmpty(t, f.Places, "%s leads nowhere", f.Summary)
			numbers[f.Number] = true
		}
	}
	assert.Len(t, numbers, len(g.Findings))
	marked := map[string]bool{}
	walk(reflect.ValueOf(p), func(v reflect.Value) {
		if v.Type() == reflect.TypeFor[page.Mark]() {
			marked[v.FieldByName("To").String()] = true
		}
	})
	for i := range g.Findings {
		assert.True(t, marked["finding-"+itoa(i+1)], "nothing leads to finding %d", i+1)
	}
	if g.Order != nil {
		for i := range g.Order.Order.Steps {
			assert.True(t, marked["step-"+itoa(i+1)], "nothing leads to step %d", i+1)
		}
	}
	assert.Equal(t, p, page.Draw(g), "the same facts give another page")
	return p
}

func itoa(n int) string { return strings.TrimSuffix(page.Percent(n*100).String(), "%") }

func TestRandomHosts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		survey, layout := invented.Random(t)
		shift := rapid.SampledFrom([]string{"", "day", "night"}).Draw(t, "shift")
		whole(t, given(t, &survey, placed(layout), shift))
	})
}

func TestLargeHost(t *testing.T) {
	survey, layout := invented.Large(1)
	whole(t, given(t, &survey, placed(layout), ""))
}

// larch lends reel to grading by day; by night catalogue runs from it.
func larch() (*invented.Builder, *spec.Layout) {
	b := invented.NewBuilder()
	reel := b.NVMe("RL-4410-0073", "start", "shelf")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Guest("grading", "", b.Identity("reel", reel))
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	b.Run("catalogue")
	layout := placed(invented.Layout([]spec.Controller{invented.Controller("reel", "RL-4410-0073", "shelf", "/srv/shelf")},
		[]spec.Guest{invented.Guest("grading", "reel"), invented.Guest("catalogue")},
		invented.Shift("day", "grading"), invented.Shift("night", "catalogue")))
	return b, layout
}

func TestDay(t *testing.T) {
	b, layout := larch()
	day := whole(t, given(t, &b.Survey, layout, "")).Day
	seen := map[string][]string{}
	for _, row := range day.Rows {
		var cells []string
		for _, cell := range row.Cells {
			text := cell.Text
			if cell.Came != nil {
				text = cell.Came.Short + ", " + text
			}
			cells = append(cells, text)
		}
		for _, name := range row.Names {
			seen[string(row.Kind)+" "+name.Text] = cells
		}
	}
	assert.Equal(t, map[string][]string{
		"controller reel":  {"home", "is lent, with grading", "comes home, home"},
		"mount /srv/shelf": {"mounted", "is unmounted, not mounted", "is mounted, mounted"},
		"guest grading":    {"off", "starts, runs", "shuts down, off"},
		"guest catalogue":  {"runs", "shuts down, off", "starts, runs"},
	}, seen)
	assert.Empty(t, day.Stays)
	assert.Equal(t, "reel: is lent for day; home before, then with grading", day.Rows[0].Cells[1].Came.Text)
	assert.Equal(t, []page.Level{page.Low, page.High, page.Low}, []page.Level{day.Rows[0].Cells[0].Level, day.Rows[0].Cells[1].Level, day.Rows[0].Cells[2].Level})
}

// What the survey does not tell is not told as off or unmounted.
func TestDayOfWhatIsNotKnown(t *testing.T) {
	b, layout := larch()
	b.Survey.Mounts = nil
	b.Survey.Gaps = []facts.Gap{{Fact: "mounts", Path: "/proc/self/mountinfo", Reason: "it is cut"}}
	b.Survey.Libvirt.Guests = nil
	b.Survey.Libvirt.Gaps = []facts.Gap{{Fact: "guests", Path: "libvirt", Reason: "no answer"}}
	day := whole(t, given(t, &b.Survey, layout, "")).Day
	now := map[string]string{}
	for _, row := range append(day.Rows, day.Stays...) {
		for _, name := range row.Names {
			now[string(row.Kind)+" "+name.Text] = row.Cells[0].Text
		}
	}
	assert.Equal(t, map[string]string{"controller reel": "home", "mount /srv/shelf": "not known", "guest grading": "not known", "guest catalogue": "not known"}, now)
}

// What is the same in all columns is told in one row for all of its like.
func TestDayTellsAlikeOnce(t *testing.T) {
	survey, layout := invented.Large(1)
	day := page.Draw(given(t, &survey, placed(layout), "")).Day
	assert.Less(t, len(day.Rows)+len(day.Stays), 12)
	names := 0
	for _, row := range append(day.Rows, day.Stays...) {
		names += len(row.Names)
	}
	assert.Equal(t, 250+250+200, names)
}

// A step stands at what it changes; of the guard and the watch that is the host.
func TestEveryStepHasAPlace(t *testing.T) {
	b, layout := larch()
	layout.Guests = append(layout.Guests, spec.Guest{Name: "scans"})
	layout.Controllers = append(layout.Controllers, invented.NetworkController("card"))
	g := given(t, &b.Survey, placed(layout), "")
	g.Order = &order.Sealed{}
	for _, s := range invented.Steps() {
		g.Order.Order.Steps = append(g.Order.Order.Steps, step.Written{Step: s})
	}
	drawn := page.Draw(g).Order
	for i, s := range invented.Steps() {
		_, guard := s.(*step.InstallGuard)
		_, watch := s.(*step.InstallWatch)
		for _, place := range drawn.Steps[i].Places {
			assert.Equal(t, guard || watch, place.To == "host", "%s is at %v", s.About().Does, place)
		}
		assert.NotEmpty(t, drawn.Steps[i].Places)
	}
}

// A finding is about the block of the layout that its line is in, and about the
// functions that it was seen at.
func TestFindingsAtTheirPlaces(t *testing.T) {
	b, layout := larch()
	card := b.Card(facts.Address{Bus: 1}, "e1000e")
	g := given(t, &b.Survey, layout, "day")
	g.Findings = []checks.Finding{
		{Check: "a", Summary: "of a mount", At: layout.Controllers[0].Return.Mounts[0].At},
		{Check: "a", Summary: "of what is borrowed", At: layout.Guests[0].Borrows[0].At},
		{Check: "a", Summary: "of a shift's guest", At: layout.Shifts[1].Guests[0].At},
		{Check: "a", Summary: "of nothing that is stated"},
		{Check: "b", Severity: checks.Stop, Summary: "of a card", At: layout.Controllers[0].At, Causes: []checks.Cause{{Path: "/sys/bus/pci/devices/" + card.String() + "/driver"}}},
		{Check: "b", Summary: "of a foreign file", At: spec.Place{File: "other.hcl", Line: 3}},
	}
	p := whole(t, g)
	var seen [][]string
	for _, check := range p.Findings {
		for _, f := range check.List {
			var to []string
			for _, m := range f.Places {
				to = append(to, m.To)
			}
			for _, c := range f.Causes {
				to = append(to, c.Where.To)
			}
			seen = append(seen, to)
		}
	}
	assert.Equal(t, [][]string{{"pci-0000-01-00.0"}, {"guest-grading"}, {"shift-night"}, {"host"}, {"pci-0000-01-00.0", "pci-0000-01-01.0"}, {"host"}}, seen)
	marks := p.Nodes[0].Branches[0].Inside[1].Function.Marks
	require.Len(t, marks, 1)
	assert.Equal(t, page.Mark{Kind: "stop", Number: 5, Text: "of a card", To: "finding-5"}, marks[0])
}

// Names that would be one in an ID are told apart, and none means anything there.
func TestNamesMakeIDs(t *testing.T) {
	b, layout := larch()
	names := []string{"a b", "a_20b", "a\"><script>", "a&amp;b", "ä", "a:b", "a.b", strings.Repeat("long", 5000), strings.Repeat("long", 5001)}
	for _, name := range names {
		b.Survey.Libvirt.Guests = append(b.Survey.Libvirt.Guests, facts.Guest{Name: name, Condition: "shut off"})
	}
	p := page.Draw(given(t, &b.Survey, layout, ""))
	seen := map[string]bool{}
	for _, guest := range p.Guests {
		assert.Regexp(t, `^guest-[A-Za-z0-9_-]+$`, guest.ID)
		assert.Less(t, len(guest.ID), 400)
		seen[guest.ID] = true
	}
	assert.Len(t, seen, len(p.Guests))
}

// What an order touches is drawn before and after; what looks the same is only named.
func TestBeforeAndAfter(t *testing.T) {
	b, layout := larch()
	g := given(t, &b.Survey, layout, "day")
	require.NotNil(t, g.Order)
	g.After = g.Case.Facts
	same := whole(t, g).Order
	assert.Empty(t, same.Changes)
	assert.NotEmpty(t, same.Alike)

	later, _ := larch()
	later.Survey.Libvirt.Guests[1].Live, later.Survey.Libvirt.Guests[1].Running, later.Survey.Libvirt.Guests[1].Condition = nil, false, "shut off"
	g.After = facts.NewIndex(&later.Survey)
	drawn := whole(t, g).Order
	require.Len(t, drawn.Changes, 2)
	reel, catalogue := drawn.Changes[0], drawn.Changes[1]
	assert.Equal(t, "guest catalogue", reel.FunctionBefore.Drives[0].Parts[1].Users[1].Text)
	assert.Equal(t, "guest catalogue (off)", reel.FunctionNow.Drives[0].Parts[1].Users[1].Text)
	assert.Equal(t, "guest catalogue", catalogue.Title)
	assert.True(t, catalogue.GuestBefore.Running)
	assert.False(t, catalogue.GuestNow.Running)
	assert.Equal(t, "after-guest-catalogue", catalogue.GuestNow.ID)
}

// Of a large order not everything is drawn twice, and all of it is named.
func TestLargeOrder(t *testing.T) {
	survey, layout := invented.Large(1)
	g := given(t, &survey, placed(layout), "")
	require.NotNil(t, g.Order)
	after := survey
	after.Libvirt.Guests = nil
	g.After = facts.NewIndex(&after)
	drawn := whole(t, g).Order
	assert.Len(t, drawn.Changes, 24)
	assert.NotEmpty(t, drawn.Others)
}
