package twin

import (
	"cmp"
	"slices"
)

// unlikes collects what the machine does not have; the same said of several things
// is said once.
type unlikes struct {
	list []Unlike
	at   map[claim]int
}

// claim is what an Unlike says, without of what.
type claim struct{ fact, twin, hides string }

func (u *unlikes) add(fact, of, twin, hides string) {
	key := claim{fact, twin, hides}
	i, known := u.at[key]
	if !known {
		if u.at == nil {
			u.at = map[claim]int{}
		}
		i = len(u.list)
		u.at[key] = i
		u.list = append(u.list, Unlike{Fact: fact, Twin: twin, Hides: hides})
	}
	if of != "" && !slices.Contains(u.list[i].Of, of) {
		u.list[i].Of = append(u.list[i].Of, of)
	}
}

func (u *unlikes) sorted() []Unlike {
	for i := range u.list {
		slices.Sort(u.list[i].Of)
	}
	slices.SortStableFunc(u.list, func(a, b Unlike) int {
		return cmp.Or(cmp.Compare(a.Fact, b.Fact), cmp.Compare(a.Twin, b.Twin))
	})
	return u.list
}
