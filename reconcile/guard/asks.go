package guard

import (
	"slices"

	"lendkeep/reconcile/facts"
)

// Asks says what of the host Before must see to decide on a start: what the
// definition holds and means, what the guest borrows, and where it lives. paths are
// where those lead that it names, and the volumes of pools in it. How all the rest
// of the host is used is no part of the question, and need not be read.
func Asks(r Rules, call Call, paths []facts.Path) facts.Question {
	b := newBefore(r, facts.NewIndex(&facts.Survey{Paths: paths}), call)
	q := facts.Question{Functions: call.Definition.Functions(), Paths: paths, Slots: r.speaksOfSlots(), Writes: writes(b.call.Definition)}
	for _, identity := range call.Definition.Identities {
		if slices.Contains(q.Functions, identity.Address) {
			q.Controllers = append(q.Controllers, identity)
		}
	}
	if b.started {
		q.Controllers = append(q.Controllers, call.Ordered.Takes...)
	}
	for _, c := range r.Controllers {
		lives := slices.ContainsFunc(c.Mounts, func(m Mount) bool { return b.livesOn(m.Path) != "" })
		if lives || slices.Contains(b.guest.Borrows, c.Identity.Controller) {
			q.Controllers = append(q.Controllers, c.Identity)
		}
	}
	return q
}

// writes lists the paths that a definition may write, in whatever place.
func writes(d facts.Definition) []string {
	var list []string
	for _, disk := range d.Disks {
		if !disk.ReadOnly && disk.Source != "" {
			list = append(list, disk.Source)
		}
	}
	for _, reach := range d.Reaches {
		if !reach.ReadOnly && reach.Kind == facts.ReachPath {
			list = append(list, reach.Name)
		}
	}
	return list
}

// AsksAfter says what of the host After must see, and NextRung for what is missing.
func AsksAfter(r Rules, call Call) facts.Question {
	q := facts.Question{Slots: r.speaksOfSlots()}
	for _, c := range r.letGo(call) {
		q.Controllers = append(q.Controllers, c.Identity)
	}
	return q
}

func (r Rules) speaksOfSlots() bool {
	return slices.ContainsFunc(r.Controllers, func(c Controller) bool { return c.Slot != "" })
}
