package page

import (
	"slices"
	"strings"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
)

// Findings are those of one check. What they all say and advise is told once.
type Findings struct {
	Check    string
	Severity string
	Said     Said
	List     []Finding
}

// Said is what a finding means and what to do.
type Said struct {
	Detail   string
	Remedies []string
}

// Finding is a finding with the places that it is about.
type Finding struct {
	ID      string
	Number  int
	Summary string
	Said    Said // empty where all of its check say the same
	Causes  []Cause
	More    int // causes that are not told
	Stated  string
	Places  []Mention // what the layout states on its line
}

// Cause is what was seen, and where; where that is at a function it leads there.
type Cause struct {
	Where Mention
	Seen  string
}

func (d *drawing) findings(list []assess.Finding) []Findings {
	var drawn []Findings
	for i, f := range list {
		if n := len(drawn); n == 0 || drawn[n-1].Check != f.Check || drawn[n-1].Severity != string(f.Severity) {
			drawn = append(drawn, Findings{Check: f.Check, Severity: string(f.Severity)})
		}
		last := &drawn[len(drawn)-1]
		last.List = append(last.List, Finding{ID: findingID(i + 1), Number: i + 1, Summary: f.Summary, Said: Said{f.Detail, slices.Clone(f.Remedies)},
			Causes: d.causes(f.Causes[:min(len(f.Causes), mostCauses)]), More: max(0, len(f.Causes)-mostCauses), Stated: f.At.String(), Places: d.about(f.At)})
	}
	for i := range drawn {
		drawn[i].share()
	}
	return drawn
}

// share tells once what all findings of a check have in common.
func (f *Findings) share() {
	if len(f.List) == 1 {
		return
	}
	first := f.List[0].Said
	details, remedies := true, true
	for _, other := range f.List {
		details = details && other.Said.Detail == first.Detail
		remedies = remedies && slices.Equal(other.Said.Remedies, first.Remedies)
	}
	for i := range f.List {
		if details {
			f.Said.Detail, f.List[i].Said.Detail = first.Detail, ""
		}
		if remedies {
			f.Said.Remedies, f.List[i].Said.Remedies = first.Remedies, nil
		}
	}
}

// mostCauses is how many causes of a finding are told: of a kind of which there are
// hundreds nobody reads more.
const mostCauses = 12

func (d *drawing) causes(list []assess.Cause) []Cause {
	var drawn []Cause
	for _, c := range list {
		where := Mention{Text: c.Path}
		if at, seen := functionOf(c.Path); seen && d.ix.Function(at) != nil {
			where.To = functionID(at)
		}
		drawn = append(drawn, Cause{where, c.Value})
	}
	return drawn
}

// markFindings puts each finding at what it is about. One that may stop an order stands
// at the functions that it was seen at too; of a note that would be too much.
func (d *drawing) markFindings(list []assess.Finding) {
	for i, f := range list {
		m := Mark{string(f.Severity), i + 1, f.Summary, findingID(i + 1)}
		for _, place := range d.about(f.At) {
			d.mark(place.To, m)
		}
		if f.Severity == assess.Note {
			continue
		}
		for _, c := range d.causes(f.Causes) {
			if c.Where.To != "" {
				d.mark(c.Where.To, m)
			}
		}
	}
}

// functionOf gives the function of which a cause tells an attribute.
func functionOf(path string) (facts.Address, bool) {
	rest, is := strings.CutPrefix(path, "/sys/bus/pci/devices/")
	if !is {
		return facts.Address{}, false
	}
	name, _, _ := strings.Cut(rest, "/")
	at, err := facts.ParseAddress(name)
	return at, err == nil
}

func leadsThere(list []Mention, to string) bool {
	for _, m := range list {
		if m.To == to {
			return true
		}
	}
	return false
}
