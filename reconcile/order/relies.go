package order

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// Reliance is one fact of the survey that the order was written on.
type Reliance struct {
	Of    string `json:"of"` // "guest grading", "controller reel", "mount /srv/shelf"
	Fact  string `json:"fact"`
	Value string `json:"value"`
}

// Change is a fact that is no longer what the order relies on.
type Change struct {
	Reliance
	Now string
}

// String tells the change by name.
func (c Change) String() string {
	return fmt.Sprintf("%s of %s was %s, is %s", c.Fact, c.Of, orNone(c.Value), orNone(c.Now))
}

func orNone(value string) string {
	if value == "" {
		return "none"
	}
	return value
}

// Changes reads the facts that an order relies on again and gives those that
// changed, those that came up since last. An order that relies on something of
// which this lendkeep knows nothing is an error.
func (o Order) Changes(ix *facts.Index) ([]Change, error) {
	subjects := map[string]bool{}
	for _, r := range o.Relies {
		subjects[r.Of] = true
	}
	found, err := rely(ix, subjects, o.Controllers)
	if err != nil {
		return nil, fmt.Errorf("read facts again: %w", err)
	}
	now := map[[2]string]string{}
	for _, r := range found {
		now[[2]string{r.Of, r.Fact}] = r.Value
	}
	var list []Change
	known := map[[2]string]bool{}
	for _, r := range o.Relies {
		key := [2]string{r.Of, r.Fact}
		known[key] = true
		if now[key] != r.Value {
			list = append(list, Change{r, now[key]})
		}
	}
	for _, r := range found {
		if r.Value != "" && !known[[2]string{r.Of, r.Fact}] {
			list = append(list, Change{Reliance{r.Of, r.Fact, ""}, r.Value})
		}
	}
	return list, nil
}

// Looks gives the paths that an order relies on without libvirt naming them, as
// of the image of a guest that it makes.
func (o Order) Looks() []string {
	var list []string
	for _, r := range o.Relies {
		if name, is := strings.CutPrefix(r.Of, "path "); is && !slices.Contains(list, name) {
			list = append(list, name)
		}
	}
	return list
}

// subjectsOf gives everything that an order was written on: what its steps need
// and give, what the layout states besides, and always the host.
func subjectsOf(c *assess.Case, steps []step.Written) map[string]bool {
	subjects := map[string]bool{"host": true, "guard": true, "watch": true}
	for _, w := range steps {
		for _, f := range append(w.Step.Needs(), w.Step.Gives()...) {
			subjects[subject(f.Of)] = true
		}
	}
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		subjects["definition "+g.Name] = true
		if g.Retired {
			continue
		}
		wanted := c.Change(g).Wanted
		for _, disk := range slices.Concat(wanted.Disks, wanted.Leaves) {
			subjects["path "+disk.Source] = true
		}
		for _, ref := range g.Borrows {
			subjects["controller "+ref.Name] = true
		}
	}
	if c.Shift == nil {
		return subjects
	}
	for _, s := range c.Layout.Shifts { // who runs and who does not is then the layout's matter
		for _, ref := range s.Guests {
			subjects["guest "+ref.Name] = true
		}
	}
	return subjects
}

// subject gives what the facts about a thing of the steps' needs are listed
// under: what is on a drive is a matter of its controller.
func subject(of string) string {
	what, name, _ := strings.Cut(of, " ")
	switch what {
	case "drive":
		return "controller " + name
	case "filesystem":
		controller, _, _ := strings.Cut(name, " ")
		return "controller " + controller
	default:
		return of
	}
}

// reader reads the facts about one kind of subject.
type reader struct {
	ix      *facts.Index
	records map[string]facts.Record // controllers by their names
	add     func(fact, value string)
	beside  map[*facts.Function]string // functions in words
}

// subjectKinds says how the facts about each kind of subject are read; a kind of
// which nothing is read is nil.
var subjectKinds = map[string]func(r reader, name string){
	"host":       func(r reader, _ string) { r.host() },
	"guard":      func(r reader, _ string) { r.each("", r.ix.Survey.Guard) },
	"watch":      func(r reader, _ string) { r.each("", r.ix.Survey.Watch) },
	"guest":      reader.guest,
	"definition": reader.definition,
	"controller": reader.controller,
	"mount":      reader.mount,
	"image":      reader.image,
	"path":       reader.path,
	"rom":        func(r reader, name string) { one(r, "", r.ix.ROM(name)) },
	"shim":       func(r reader, name string) { one(r, "", r.ix.Shim(name)) },
	"variables":  func(r reader, name string) { one(r, "", r.ix.Store(name)); r.variables(name) },
	"firmware":   func(r reader, name string) { one(r, "", r.ix.Image(name)) },
	// What somebody confirms is asked for and checked when its step comes.
	"confirmation": nil,
}

// rely reads the facts about each subject, in one fixed sequence.
func rely(ix *facts.Index, subjects map[string]bool, controllers []facts.Record) ([]Reliance, error) {
	list := make([]Reliance, 0, 16*len(subjects)) // some have more, many have less
	r := reader{ix: ix, records: map[string]facts.Record{}, beside: map[*facts.Function]string{}}
	for _, c := range controllers {
		r.records[c.Controller] = c
	}
	for _, of := range slices.Sorted(maps.Keys(subjects)) {
		what, name, _ := strings.Cut(of, " ")
		read, known := subjectKinds[what]
		if !known {
			return nil, fmt.Errorf("nobody knows which facts there are of %q", of)
		}
		if read == nil {
			continue
		}
		r.add = func(fact, value string) { list = append(list, Reliance{of, fact, value}) }
		read(r, name)
	}
	return list, nil
}
