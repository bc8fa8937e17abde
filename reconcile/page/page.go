// Package page says what is shown where on the one page that draws a host: who has
// what, when, and what an order changes. It is pure: a layout laid beside facts, with
// findings, an order and a history, becomes a picture of values, of which the same
// facts give the same. What it looks like, and that text from a host does no harm
// there, is the matter of who writes it. Start at Draw.
package page

import (
	"strconv"
	"time"

	"lendkeep/reconcile/again"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/speed"
	"lendkeep/reconcile/watch"
	"lendkeep/spec/plain"
)

// Given is all that a page is drawn of.
type Given struct {
	Case      *assess.Case // of the shift that the order is for, where there is one
	Findings  []assess.Finding
	Order     *order.Sealed     // nil: none is drawn
	After     *facts.Index      // the host once the order is carried out; nil without one
	Rehearsed *again.Report     // on a twin of the host; nil: none is drawn
	History   *History          // nil: NoHistory says why it is not known
	Measured  *speed.Comparison // nil: NoMeasures says why there is none
	// NoHistory and NoMeasures are one sentence each.
	NoHistory, NoMeasures string
}

// History is what was seen of lends.
type History struct {
	Events   []watch.Event // the oldest first
	Watching bool          // somebody watches now
}

// Page is everything that is shown, in the sequence in which it is read.
type Page struct {
	Host      Host
	Nodes     []Node
	Lost      []Function // controllers of the layout that were not found
	Elsewhere []Drive    // drives that hang on no PCI function
	Guests    []Guest
	Day       Day
	Past      Past
	Order     *Order     // nil: none
	Rehearsal *Rehearsal // nil: none
	Speed     Speed
	Findings  []Findings
}

// Host is what is said of the host as a whole.
type Host struct {
	ID         string
	Name       string
	SurveyedAt string
	Facts      []string
	Layout     string
	Counts     []string // of what the page tells at its head
	Unknown    []string // whole areas that could not be read
	Mounts     string   // those that are on no drive, counted by kind; empty: none
	Marks      []Mark
}

// Mention is a name that leads to its place on the page; one without To leads
// nowhere.
type Mention struct {
	Text string
	To   string // the ID of the place
}

// Mark stands at a place and leads to the finding that is about it, or to the step
// that acts there.
type Mark struct {
	Kind   string // a severity, or markStep
	Number int
	Text   string
	To     string
}

const markStep = "step"

// Percent is a part of a width, in hundredths of a percent.
type Percent int

// whole is all of a width.
const whole Percent = 100_00

// String writes it as SVG takes it.
func (p Percent) String() string {
	text := strconv.Itoa(int(p / 100))
	if rest := p % 100; rest != 0 {
		text += "." + strconv.Itoa(int(rest/10))
		if rest%10 != 0 {
			text += strconv.Itoa(int(rest % 10))
		}
	}
	return text + "%"
}

// Draw puts a page together.
func Draw(g Given) Page {
	d := newDrawing(g.Case, "")
	d.markFindings(g.Findings)
	d.markSteps(g.Order)
	p := Page{Findings: d.findings(g.Findings), Nodes: d.nodes(), Lost: d.lost(), Elsewhere: d.elsewhere(),
		Guests: d.guests(), Day: d.day(), Past: d.past(g), Order: d.order(g), Rehearsal: rehearsalOf(g.Rehearsed), Speed: d.speed(g)}
	p.Host = d.host(p)
	return p
}

func (d *drawing) host(p Page) Host {
	survey := d.ix.Survey
	m := survey.Machine
	h := Host{ID: hostID, Name: m.Name, SurveyedAt: stamp(survey.TakenAt), Layout: d.c.Layout.Dir, Marks: d.marks[hostID],
		Facts: []string{"kernel " + m.Kernel, plain.Count(m.CPUs, "processor"), facts.Size(m.MemoryBytes) + " of memory", "guard: " + survey.Guard.Condition()}}
	if m.IOMMUs == 0 {
		h.Facts = append(h.Facts, "no IOMMU is in use: nothing can be lent")
	}
	for _, maker := range m.IOMMUMakers() {
		h.Facts = append(h.Facts, "IOMMU of "+maker)
	}
	for _, gap := range survey.AreaGaps() {
		h.Unknown = append(h.Unknown, gapText(gap))
	}
	h.Mounts = d.otherMounts()
	h.Counts = counts(p)
	return h
}

func counts(p Page) []string {
	runs, numbers := 0, map[string]int{}
	for _, g := range p.Guests {
		if g.Running {
			runs++
		}
	}
	for _, f := range p.Findings {
		numbers[f.Severity] += len(f.List)
	}
	list := []string{plain.Count(len(p.Guests), "guest") + ", of which " + strconv.Itoa(runs) + " running"}
	for _, severity := range []assess.Severity{assess.Stop, assess.Caution, assess.Note} {
		if n := numbers[string(severity)]; n > 0 {
			list = append(list, plain.Count(n, string(severity)))
		}
	}
	return list
}

func gapText(g facts.Gap) string { return g.Fact + " (" + g.Path + ": " + g.Reason + ")" }

func stamp(at time.Time) string { return at.UTC().Format("2006-01-02 15:04:05") + " UTC" }
