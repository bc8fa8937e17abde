package again

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/reconcile/twin"
)

// Difference is a step that only one of two orders has.
type Difference struct {
	Step  string `json:"step"`            // what it does, as on the twin
	There bool   `json:"there"`           // only the order on the twin has it; else only the host's
	Lacks string `json:"lacks,omitempty"` // what the twin does not have for it, so that it cannot be tried there; empty: nothing
}

// String tells the difference.
func (d Difference) String() string {
	switch {
	case d.Lacks != "":
		return d.Step + ": " + d.Lacks
	case d.There:
		return "only on the twin: " + d.Step
	}
	return "not on the twin: " + d.Step
}

// lacks says what a twin does not have for a step of its host; empty: it has all. A step
// that is not named here is missing there without a reason.
func lacks(s step.Step, m *twin.Machine) string {
	switch s := s.(type) {
	case *step.TakeBack:
		return without(m, s.Controller)
	case *step.SetAside:
		return without(m, s.Controller)
	case *step.DefineGuest:
		return without(m, borrowed(s)...)
	case *step.Mount:
		return unmade(s.Filesystem, m)
	case *step.Unmount:
		return unmade(s.Filesystem, m)
	case *step.InstallWatch:
		return "the twin has no systemd"
	case *step.ByHand, *step.StartAtBoot:
		return "a stand-in runs in the twin's guests, which has nothing of the kind"
	case *step.PlaceROM, *step.PlaceShim:
		return "the twin's firmware reads NVMe drives by itself"
	case *step.WriteEntry:
		return "the twin's guests start what their firmware looks for by itself"
	case *step.MakeVirtual:
		return "the twin's functions make no virtual ones"
	case *step.KeepPages:
		return "the twin's guests use no huge pages"
	default:
		return ""
	}
}

// instead says what a twin lacks of its host that keeps the host's order from a step;
// empty: nothing.
func instead(s step.Step, m *twin.Machine) string {
	if _, is := s.(*step.InstallGuard); is && m.GuardUnread {
		return "what the host has in the guard's place could not be read, and the twin has nothing there"
	}
	return ""
}

// without says which of some controllers a twin does not have; empty: it has all.
func without(m *twin.Machine, controllers ...facts.Identity) string {
	i := slices.IndexFunc(controllers, func(c facts.Identity) bool { return !has(m, c) })
	if i < 0 {
		return ""
	}
	return "the twin does not have " + controllers[i].Controller
}

// has tells whether a twin has a controller of its host's.
func has(m *twin.Machine, c facts.Identity) bool {
	_, there := m.Place(c.Address)
	return there && !c.IsVirtual() // its functions make no virtual ones
}

// borrowed gives the controllers that a definition shall have.
func borrowed(s *step.DefineGuest) []facts.Identity {
	list := make([]facts.Identity, len(s.Wanted.Borrows))
	for i, b := range s.Wanted.Borrows {
		list[i] = b.Identity
	}
	return list
}

// Steps gives the steps that only one of two orders has, in their sequence: those of
// the host's order are taken as they would read on its twin, where functions have
// other addresses and guests borrow what is there. Steps in another sequence are
// differences too.
func Steps(host, there order.Order, m *twin.Machine) []Difference {
	was, is := does(host, m), does(there, nil)
	// The longest common subsequence; orders have tens of steps.
	long := make([][]int, len(was)+1)
	for i := range long {
		long[i] = make([]int, len(is)+1)
	}
	for i := len(was) - 1; i >= 0; i-- {
		for k := len(is) - 1; k >= 0; k-- {
			long[i][k] = max(long[i+1][k], long[i][k+1])
			if was[i] == is[k] {
				long[i][k] = long[i+1][k+1] + 1
			}
		}
	}
	var list []Difference
	for i, k := 0, 0; i < len(was) || k < len(is); {
		switch {
		case i < len(was) && k < len(is) && was[i] == is[k]:
			i, k = i+1, k+1
		case k == len(is) || i < len(was) && long[i+1][k] >= long[i][k+1]:
			list = append(list, Difference{Step: was[i], Lacks: lacks(host.Steps[i].Step, m)})
			i++
		default:
			list = append(list, Difference{Step: is[k], There: true, Lacks: instead(there.Steps[k].Step, m)})
			k++
		}
	}
	return list
}

// unmade says that a twin could not make the filesystem of a partition that it has;
// empty: it did, or has no such partition, for which nobody has said why.
func unmade(f step.Filesystem, m *twin.Machine) string {
	empty := false
	m.Each(func(p *twin.Part) {
		for _, d := range p.Disks {
			if p.Of == nil || *p.Of != f.Controller.Address || d.Table == nil {
				continue
			}
			for _, e := range d.Table.Partitions {
				empty = empty || e.Name == f.Partition && e.Holds == nil
			}
		}
	})
	if !empty {
		return ""
	}
	return "the twin could not make the filesystem of " + f.Partition
}

// does gives what each step of an order does, with the addresses of the twin.
func does(o order.Order, m *twin.Machine) []string {
	var list, pairs []string
	if m != nil {
		for _, p := range m.Places {
			pairs = append(pairs, p.From.String(), p.To.String())
		}
	}
	there := strings.NewReplacer(pairs...)
	for _, w := range o.Steps {
		s := w.Step
		if start, is := s.(*step.StartGuest); is && m != nil {
			lends := *start
			lends.Borrows = slices.DeleteFunc(slices.Clone(start.Borrows), func(c facts.Identity) bool { return !has(m, c) })
			s = &lends
		}
		list = append(list, there.Replace(s.About().Does))
	}
	return list
}

// Standing gives the steps of an order with regard to which two hosts stand
// otherwise, in words: that in memory, and that of the kernel.
func Standing(o order.Order, memory, kernel *facts.Index) []string {
	var list []string
	for i, w := range o.Steps {
		in, why := w.Step.Stands(memory)
		is, what := w.Step.Stands(kernel)
		if in != is {
			list = append(list, fmt.Sprintf("step %d, %s: in memory %s (%s), by the kernel %s (%s)", i+1, w.Step.About().Does, standings[in], why, standings[is], what))
		}
	}
	return list
}

var standings = map[step.Standing]string{step.Before: "not done", step.After: "done", step.Neither: "neither"}
