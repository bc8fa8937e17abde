package order

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// Reliance is one fact of the survey that the order was written on.
type Reliance struct {
	Of    step.Thing `json:"of"`
	Fact  string     `json:"fact"`
	Value string     `json:"value"`
}

// fact is a reliance without its value, to find it by.
func (r Reliance) fact() Reliance { return Reliance{Of: r.Of, Fact: r.Fact} }

// Change is a fact that is no longer what the order relies on.
type Change struct {
	Reliance
	Now string
}

// String tells the change by name.
func (c Change) String() string {
	return fmt.Sprintf("%s of %s was %s, is %s", c.Fact, c.Of, cmp.Or(c.Value, "none"), cmp.Or(c.Now, "none"))
}

// Changes reads the facts that an order relies on again and gives those that
// changed, those that came up since last. An order that relies on something of
// which this lendkeep knows nothing is an error.
func (o Order) Changes(ix *facts.Index) ([]Change, error) {
	subjects := map[step.Thing]bool{}
	for _, r := range o.Relies {
		subjects[r.Of] = true
	}
	found, err := rely(ix, subjects, o.Controllers)
	if err != nil {
		return nil, fmt.Errorf("read facts again: %w", err)
	}
	now := map[Reliance]string{}
	for _, r := range found {
		now[r.fact()] = r.Value
	}
	var list []Change
	known := map[Reliance]bool{}
	for _, r := range o.Relies {
		known[r.fact()] = true
		if value := now[r.fact()]; value != r.Value {
			list = append(list, Change{r, value})
		}
	}
	for _, r := range found {
		if r.Value != "" && !known[r.fact()] {
			list = append(list, Change{r.fact(), r.Value})
		}
	}
	return list, nil
}

// Looks gives the paths that an order relies on without libvirt naming them, as
// of the image of a guest that it makes.
func (o Order) Looks() []string {
	var list []string
	for _, r := range o.Relies {
		if r.Of.Kind == "path" && !slices.Contains(list, r.Of.Name) {
			list = append(list, r.Of.Name)
		}
	}
	return list
}

// Functions gives where the functions are of the controllers that the order speaks of:
// it relies on what their drives hold.
func (o Order) Functions(ix *facts.Index) map[facts.Address]bool {
	at := map[facts.Address]bool{}
	for _, r := range o.Controllers {
		if _, f, _ := ix.Where(r); f != nil {
			for _, part := range ix.Parts(r.At(f.Address)) {
				at[part.Address] = true
			}
		}
	}
	return at
}

// subjectsOf gives everything that an order was written on: what its steps need
// and give, what the layout states besides, and always the host.
func subjectsOf(c *assess.Case, steps []step.Written) map[step.Thing]bool {
	subjects := map[step.Thing]bool{{Kind: "host"}: true, {Kind: "guard"}: true, {Kind: "watch"}: true}
	for _, w := range steps {
		about := w.Step.About()
		for _, condition := range slices.Concat(about.Needs, about.Gives) {
			subjects[subject(condition.Of)] = true
		}
	}
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		subjects[step.Thing{Kind: "definition", Name: g.Name}] = true
		if g.Retired || c.Awaits(g) {
			continue
		}
		if c.Facts.Guest(g.Name) == nil {
			subjects[step.Thing{Kind: "libvirt"}] = true
		}
		wanted := c.Change(g).Wanted
		if wanted.Near != nil {
			subjects[step.Thing{Kind: "pins"}] = true
		}
		for _, disk := range slices.Concat(wanted.Disks, wanted.Leaves) {
			subjects[step.Thing{Kind: "path", Name: disk.Source}] = true
		}
		for _, ref := range g.Borrows {
			subjects[controllerNamed(ref.Name)] = true
		}
	}
	if c.Shift == nil {
		return subjects
	}
	for _, s := range c.Layout.Shifts { // who runs and who does not is then the layout's matter
		for _, ref := range s.Guests {
			subjects[step.Thing{Kind: "guest", Name: ref.Name}] = true
		}
	}
	return subjects
}

// reader reads the facts about one kind of subject.
type reader struct {
	ix      *facts.Index
	records map[string]facts.Identity // controllers by their names
	add     func(fact, value string)
	beside  map[*facts.Function]string // functions in words
}

// rely reads the facts about each subject, in one fixed sequence.
func rely(ix *facts.Index, subjects map[step.Thing]bool, controllers []facts.Identity) ([]Reliance, error) {
	list := make([]Reliance, 0, 16*len(subjects)) // some have more, many have less
	r := reader{ix: ix, records: map[string]facts.Identity{}, beside: map[*facts.Function]string{}}
	for _, c := range controllers {
		r.records[c.Controller] = c
	}
	for _, of := range slices.SortedFunc(maps.Keys(subjects), step.Thing.Compare) {
		read := things[of.Kind].read
		if read == nil {
			return nil, fmt.Errorf("nobody knows which facts there are of %q", of)
		}
		r.add = func(fact, value string) { list = append(list, Reliance{of, fact, value}) }
		read(r, of.Name)
	}
	return list, nil
}
