package speed

import "slices"

// Unlike is something that is not the same of all results that are compared, or not
// known of some.
type Unlike struct {
	Of     string   // "file size"
	Asked  bool     // it is what one measures for: another drive, driver, way to the guest
	Values []string // of each result; empty: not known; None: it does not apply
}

// None is the value where there can be none: a lent drive has no cache mode.
const None = "-"

// unlikes compares any number of results.
func unlikes(results []Result) []Unlike {
	var list []Unlike
	for _, p := range properties {
		u := Unlike{Of: p.name, Asked: p.asked}
		for i := range results {
			u.Values = append(u.Values, p.value(&results[i]))
		}
		if slices.Contains(u.Values, "") || p.differAmong(results) {
			list = append(list, u)
		}
	}
	return list
}

func (p property) differAmong(results []Result) bool {
	for i := range results {
		for j := range i {
			if p.differ(&results[i], &results[j]) {
				return true
			}
		}
	}
	return false
}

// differ says that two results are known to be apart in what both have. What is
// asked for may be that only one of them has it.
func (p property) differ(a, b *Result) bool {
	x, y := p.value(a), p.value(b)
	switch {
	case x == "" || y == "":
		return false
	case x == None || y == None:
		return p.asked && x != y
	case p.apart != nil:
		return p.apart(a, b)
	}
	return x != y
}

// Likeness says how far one result may be held against another one: what of it is not
// what one measures for, but the method and what was around it.
type Likeness struct {
	Of, To  int      // indexes of the results
	Unlike  []string // in what they differ: "file size", "cache mode"
	Unknown []string // of what is not known whether they differ in it
}

func likenessOf(results []Result, of, to int) Likeness {
	l := Likeness{Of: of, To: to}
	for _, p := range properties {
		x, y := p.value(&results[of]), p.value(&results[to])
		switch {
		case p.asked || x == None || y == None:
		case x == "" || y == "":
			l.Unknown = append(l.Unknown, p.name)
		case p.differ(&results[of], &results[to]):
			l.Unlike = append(l.Unlike, p.name)
		}
	}
	return l
}
