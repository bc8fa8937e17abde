package guard

import (
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// Out is a controller that is on a VFIO driver, where it can say nothing of
// itself, by what is recorded of it.
type Out struct {
	Controller                 // empty but for Identity where only a guest's note knows it
	Function   *facts.Function // as it is now
	With       *facts.Guest    // the running guest that has it; nil: none
}

// Outs gives the controllers that are out, by address: what the installed rules
// record of them, else what guests' notes do. Where two notes say that different
// controllers sit at one address none is believed.
func Outs(ix *facts.Index) map[facts.Address]Out {
	list := map[facts.Address]Out{}
	rules, err := Decode(ix.Survey.Guard.Rules)
	if err == nil {
		for _, c := range rules.Controllers {
			add(list, ix, c)
		}
	}
	noted, disputed := map[facts.Address]Out{}, map[facts.Address]bool{}
	for i := range ix.Survey.Libvirt.Guests {
		for _, d := range ix.Survey.Libvirt.Guests[i].Definitions() {
			for _, id := range d.Identities {
				if before, known := noted[id.Address]; known && before.Identity.Serial != id.Serial {
					disputed[id.Address] = true
				}
				add(noted, ix, Controller{Identity: id, Model: id.Model})
			}
		}
	}
	for at, out := range noted {
		if _, known := list[at]; !known && !disputed[at] {
			list[at] = out
		}
	}
	return list
}

func add(list map[facts.Address]Out, ix *facts.Index, c Controller) {
	where, f, with := ix.Where(c.Identity)
	if where == facts.Lent || where == facts.Aside {
		for _, part := range ix.Parts(c.Identity.At(f.Address)) {
			list[part.Address] = Out{c, part, with}
		}
	}
}

// Partitions names those of its partitions that the rules know.
func (o Out) Partitions() []string {
	var names []string
	for _, p := range o.Keeps {
		names = append(names, p.Name)
	}
	for _, m := range o.Mounts {
		if !slices.Contains(names, m.Partition) {
			names = append(names, m.Partition)
		}
	}
	return names
}

// Name says what a function is, as facts.Function does; one that can say nothing of
// itself by what is recorded of it.
func Name(f *facts.Function, outs map[facts.Address]Out) string {
	if out, is := outs[f.Address]; is && out.Identity.Serial != "" {
		return strings.TrimSpace(out.Model + " " + out.Identity.Serial)
	}
	return f.Name()
}

// Title is Name, and where the function is.
func Title(f *facts.Function, outs map[facts.Address]Out) string {
	return Name(f, outs) + " at " + f.Address.String()
}
