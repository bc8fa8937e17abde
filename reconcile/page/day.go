package page

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// Day shows what is where now and in each shift, one column each.
type Day struct {
	Columns []Column
	Rows    []Row // of what is not the same in all columns
	Stays   []Row // of the rest
}

// Column is now, or a shift.
type Column struct {
	ID     string
	Name   string
	Guests []Mention // those that run
	Marks  []Mark
}

// Row is what a controller, a mount or a guest is in all columns; those that are the
// same in each share one.
type Row struct {
	Kind  Kind
	Names []Mention
	Cells []Cell
}

// Kind is what a row is of.
type Kind string

// The kinds.
const (
	OfController Kind = "controller"
	OfMount      Kind = "mount"
	OfGuest      Kind = "guest"
)

// Cell is how something stands in a column, and what it took to come there.
type Cell struct {
	Text  string
	Level Level
	Came  *Move // nil: it stood so in the column before
}

// Level is how high a row's line runs: with the host below, with guests above.
type Level string

// The levels. A guest that runs and a mount that is there are high too.
const (
	Low    Level = "low"
	Middle Level = "middle" // aside on VFIO
	High   Level = "high"
	Broken Level = "broken" // not found, not working, or not known
)

// Move is what changes between two columns.
type Move struct {
	From, To Level
	Short    string
	Text     string // a sentence without its full stop
}

// moment is how the whole host stands in one column.
type moment struct {
	name string
	of   *assess.Case
	now  bool
}

func (d *drawing) day() Day {
	moments := []moment{{"now", d.c, true}}
	day := Day{Columns: []Column{{ID: "now", Name: "now"}}}
	for i := range d.c.Layout.Shifts {
		s := &d.c.Layout.Shifts[i]
		moments = append(moments, moment{s.Name, assess.NewCase(d.c.Layout, d.ix, s), false})
		day.Columns = append(day.Columns, Column{ID: shiftID(s.Name), Name: s.Name, Marks: d.marks[shiftID(s.Name)]})
	}
	rows := &rows{moments: moments, byCells: map[string]int{}}
	for i := range d.c.Layout.Controllers {
		c := &d.c.Layout.Controllers[i]
		rows.add(OfController, d.controller(c.Name), func(m moment) Cell { return m.controller(c) })
		for _, rule := range c.Return.Mounts {
			rows.add(OfMount, Mention{rule.Path, d.controller(c.Name).To}, func(m moment) Cell { return m.mount(c, rule) })
		}
	}
	for _, name := range d.guestNames() {
		rows.add(OfGuest, d.guestMention(name), func(m moment) Cell { return m.guest(name) })
		for i, m := range moments {
			if m.guest(name).Level == High {
				day.Columns[i].Guests = append(day.Columns[i].Guests, d.guestMention(name))
			}
		}
	}
	for _, row := range rows.list {
		if rows.moves(&row) {
			day.Rows = append(day.Rows, row)
		} else {
			day.Stays = append(day.Stays, row)
		}
	}
	return day
}

// rows are the rows of a day in the making.
type rows struct {
	moments []moment
	list    []Row
	byCells map[string]int
}

// add puts a thing into the row of those that are the same in all columns.
func (r *rows) add(kind Kind, name Mention, cell func(moment) Cell) {
	row, key := Row{Kind: kind, Names: []Mention{name}}, string(kind)
	for _, m := range r.moments {
		made := cell(m)
		row.Cells = append(row.Cells, made)
		key += "\x00" + made.Text
	}
	if n, known := r.byCells[key]; known {
		r.list[n].Names = append(r.list[n].Names, name)
		return
	}
	r.byCells[key] = len(r.list)
	r.list = append(r.list, row)
}

// moves notes what changes between the columns of a row, and tells whether anything
// does.
func (r *rows) moves(row *Row) bool {
	any := false
	for i := 1; i < len(row.Cells); i++ {
		if from := row.Cells[i-1]; from.Text != row.Cells[i].Text {
			row.Cells[i].Came, any = moved(row, from, row.Cells[i], r.moments[i].name), true
		}
	}
	return any
}

// deeds say what brings something to a level.
var deeds = map[Kind]map[Level]string{
	OfController: {Low: "comes home", High: "is lent", Middle: "is put aside", Broken: "is gone"},
	OfMount:      {Low: "is unmounted", High: "is mounted"},
	OfGuest:      {Low: "shuts down", High: "starts"},
}

// moved tells a change in words.
func moved(row *Row, from, to Cell, column string) *Move {
	short := deeds[row.Kind][to.Level]
	if from.Level == High && to.Level == High {
		short = "is passed on"
	}
	subject := row.Names[0].Text
	if more := len(row.Names) - 1; more > 0 {
		subject += " and " + plain.Count(more, "more "+string(row.Kind))
	}
	return &Move{From: from.Level, To: to.Level, Short: short, Text: fmt.Sprintf("%s: %s for %s; %s before, then %s", subject, short, column, from.Text, to.Text)}
}

// controller tells where a controller is. In a shift that is where an order for it
// brings it (order.Plan): to its borrower, aside for another of its group, else home.
func (m moment) controller(c *spec.Controller) Cell {
	found := m.of.Found(c.Name)
	if m.now || found.Function == nil {
		return whereNow(found)
	}
	if g := m.of.Borrower(c.Name); g != nil {
		return Cell{Text: "with " + g.Name, Level: High}
	}
	if m.of.KeptAside(found) != "" {
		return Cell{Text: "aside", Level: Middle}
	}
	return Cell{Text: "home", Level: Low}
}

func whereNow(found assess.Found) Cell {
	switch {
	case found.Where == facts.Lent && found.Holder != nil:
		return Cell{Text: "with " + found.Holder.Name, Level: High}
	case found.Where == facts.Aside:
		return Cell{Text: "aside", Level: Middle}
	case found.Where == facts.Home:
		return Cell{Text: "home", Level: Low}
	default:
		return Cell{Text: "not found, or not working", Level: Broken}
	}
}

// mount tells whether a return's mount is there: in a shift wherever its controller is
// home.
func (m moment) mount(c *spec.Controller, rule spec.Mount) Cell {
	there := false
	switch found := m.of.Found(c.Name); {
	case found.Function == nil:
	case m.now:
		part := m.of.Facts.PartitionNamed(found.Function.Address, rule.Partition)
		there = m.of.Facts.MountAt(rule.Path).Of(part, rule.Path)
	default:
		there = m.controller(c).Level == Low
	}
	switch {
	case there:
		return Cell{Text: "mounted", Level: High}
	case m.now && slices.ContainsFunc(m.of.Facts.Survey.Gaps, func(g facts.Gap) bool { return g.Fact == "mounts" }):
		return unknown
	}
	return Cell{Text: "not mounted", Level: Low}
}

// unknown is how something stands now of which the survey does not tell.
var unknown = Cell{Text: "not known", Level: Broken}

func (m moment) guest(name string) Cell {
	runs := m.of.RunsNow(name)
	if stated := m.of.Stated(name); stated != nil && !m.now {
		runs = m.of.Runs(stated)
	}
	switch {
	case runs:
		return Cell{Text: "runs", Level: High}
	case m.now && m.of.Facts.Guest(name) == nil && len(m.of.Facts.Survey.Libvirt.Gaps) > 0:
		return unknown
	}
	return Cell{Text: "off", Level: Low}
}
