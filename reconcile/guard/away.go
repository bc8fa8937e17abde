package guard

import (
	"errors"
	"fmt"

	"lendkeep/reconcile/facts"
)

// Away says what speaks against taking the installed guard away from a host: each
// controller of its rules that is not with the host, for which nothing would wait
// any more, and each guest that runs with something borrowed through lendkeep.
// What cannot be told counts. Empty: everything is at home.
func Away(ix *facts.Index) []string {
	var list []string
	tell := func(format string, values ...any) { list = append(list, fmt.Sprintf(format, values...)) }
	if err := unseen(ix); err != nil {
		tell("%v", err)
	}
	for _, gap := range ix.Survey.Libvirt.Gaps {
		tell("what guests have is not known: %s: %s: %s", gap.Fact, gap.Path, gap.Reason)
	}
	rules, err := Installed(ix.Survey.Guard)
	unread := err != nil && !errors.Is(err, ErrNoRules)
	if unread { // which controllers would have to be home nobody knows
		tell("whether something is lent is not known: %v", err)
	}
	for i := range rules.Controllers {
		switch where, _, holder := ix.Where(rules.Controllers[i].Identity); {
		case where == facts.Home:
		case holder != nil:
			tell("%s is lent to %s", rules.Controllers[i].Identity.Controller, holder.Name)
		default:
			tell("%s is not with the host: it is %s", rules.Controllers[i].Identity.Controller, where)
		}
	}
	for i := range ix.Survey.Libvirt.Guests {
		if g := &ix.Survey.Libvirt.Guests[i]; g.Running && (unread || rules.borrows(g)) && holdsSomething(g) {
			tell("guest %s runs with a PCI function of the host", g.Name)
		}
	}
	return list
}

// borrows tells whether a guest borrows through lendkeep: by the rules, or by what
// lendkeep has noted in its definition.
func (r Rules) borrows(g *facts.Guest) bool {
	if len(r.guest(g.Name).Borrows) > 0 {
		return true
	}
	for _, d := range g.Definitions() {
		if len(d.Identities) > 0 {
			return true
		}
	}
	return false
}

// holdsSomething tells whether a running guest has a PCI function, or may have.
func holdsSomething(g *facts.Guest) bool { return g.Live == nil || len(g.Live.Functions()) > 0 }
