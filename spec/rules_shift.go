package spec

import "fmt"

// onShift gives the guests of a shift, with where the shift names each.
func (l *overview) onShift(s *Shift) ([]*Guest, map[string]Ref) {
	var guests []*Guest
	named := map[string]Ref{}
	for _, ref := range s.Guests {
		if g := l.guests[ref.Name]; g != nil {
			guests = append(guests, g)
			named[ref.Name] = ref
		}
	}
	return guests, named
}

// retiredOnShift: a guest whose definition is removed cannot run.
func retiredOnShift(r *reader, l *overview) {
	for i := range l.Shifts {
		guests, named := l.onShift(&l.Shifts[i])
		for _, g := range guests {
			if g.Retired {
				r.refuse(r.ranges[named[g.Name].At], "shift needs a retired guest",
					fmt.Sprintf("The guest %q is retired at %s.", g.Name, placeOf(r.of(g.At, "retired"))),
					"take it out of the shift, or remove retired")
			}
		}
	}
}

// borrowedTwiceInShift: a controller can be lent to one guest at a time.
func borrowedTwiceInShift(r *reader, l *overview) {
	for i := range l.Shifts {
		guests, named := l.onShift(&l.Shifts[i])
		first := map[string]*Guest{}
		for _, g := range guests {
			for _, ref := range g.Borrows {
				other, taken := first[ref.Name]
				if !taken {
					first[ref.Name] = g
					continue
				}
				r.refuse(r.ranges[named[g.Name].At], "two guests of a shift borrow one controller",
					fmt.Sprintf("In the shift %q both %s and %s borrow %s.", l.Shifts[i].Name,
						reference(kindGuest, other.Name), reference(kindGuest, g.Name), reference(kindController, ref.Name)),
					"put them on different shifts")
			}
		}
	}
}

// diskOnLoanOfShift: a guest's file lies on a drive that another guest of the
// same shift has meanwhile.
func diskOnLoanOfShift(r *reader, l *overview) {
	for i := range l.Shifts {
		guests, named := l.onShift(&l.Shifts[i])
		lentTo := map[string]*Guest{}
		for _, g := range guests {
			for _, ref := range g.Borrows {
				lentTo[ref.Name] = g
			}
		}
		for _, g := range guests {
			for _, f := range filesOf(g) {
				m, ok := l.over(f.path)
				other := lentTo[m.controller]
				if !ok || other == nil || other == g {
					continue
				}
				r.refuse(r.ranges[named[g.Name].At], "shift lends a drive that its guest needs",
					fmt.Sprintf("%s needs %s on %s, which is gone while %s has %s.", reference(kindGuest, g.Name),
						f.path, m.Path, reference(kindGuest, other.Name), reference(kindController, m.controller)),
					"put the two guests on different shifts")
			}
		}
	}
}

// diskSharedInShift: two running guests that write to one disk destroy it.
func diskSharedInShift(r *reader, l *overview) {
	for i := range l.Shifts {
		guests, _ := l.onShift(&l.Shifts[i])
		first := map[string]*Guest{}
		for _, g := range guests {
			for _, d := range g.Disks {
				key := d.Image + d.PartitionID // one of them is empty
				other, taken := first[key]
				switch {
				case key == "":
				case !taken:
					first[key] = g
				default:
					r.refuse(r.ranges[d.At], "two disks of a shift are the same",
						fmt.Sprintf("In the shift %q it is a disk of %s too.", l.Shifts[i].Name, reference(kindGuest, other.Name)),
						"give each guest a disk of its own, or put them on different shifts")
				}
			}
		}
	}
}
