package facts

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
)

// Difference is one entry that is not the same on two surveys, or is only on one.
type Difference struct {
	What, Name string // its list and its name in it: "pool", "images"
	Gone, New  bool
}

func (d Difference) String() string {
	became := "has changed"
	switch {
	case d.Gone:
		became = "is gone"
	case d.New:
		became = "is new"
	}
	return d.What + " " + d.Name + " " + became
}

// Differences names what is not the same on two surveys of one host, in the
// sequence of the survey's lists. Which place an entry has in its list, and
// when the surveys were taken, does not count; nor whether a drive on which
// nothing is seen is zeroes between its ends, where an undo leaves what it is of
// no use to take away.
func Differences(a, b Survey) []Difference {
	var list []Difference
	list = append(list, differ("host", []Machine{a.Machine}, []Machine{b.Machine}, func(m Machine) string { return m.Name })...)
	list = append(list, differ("node", settled(a.Topology.Nodes), settled(b.Topology.Nodes), func(n Node) string { return fmt.Sprint(n.Number) })...)
	list = append(list, differ("function", a.Functions, b.Functions, func(f Function) string { return f.Address.String() })...)
	list = append(list, differ("block device", a.Blocks, b.Blocks, func(b Block) string { return b.Name })...)
	list = append(list, differ("mount", a.Mounts, b.Mounts, func(m Mount) string { return m.Path + " of " + m.Devno.String() })...)
	list = append(list, differ("swap area", a.Swaps, b.Swaps, func(s Swap) string { return s.Path })...)
	list = append(list, differ("path", a.Paths, b.Paths, func(p Path) string { return p.Named })...)
	list = append(list, differ("what is installed of the", []InstalledGuard{a.Guard}, []InstalledGuard{b.Guard}, func(InstalledGuard) string { return "guard" })...)
	list = append(list, differ("guest", a.Libvirt.Guests, b.Libvirt.Guests, func(g Guest) string { return g.Name })...)
	list = append(list, differ("pool", a.Libvirt.Pools, b.Libvirt.Pools, func(p Pool) string { return p.Name })...)
	list = append(list, differ("content of", bared(a.Contents), bared(b.Contents), func(c Content) string { return c.Of })...)
	list = append(list, differ("option ROM", a.ROMs, b.ROMs, func(p PlacedROM) string { return p.Path })...)
	list = append(list, differ("shim disk", a.Shims, b.Shims, func(p PlacedShim) string { return p.Path })...)
	list = append(list, differ("variable store", a.Stores, b.Stores, func(s VariableStore) string { return s.Path })...)
	list = append(list, differ("firmware", a.Firmware, b.Firmware, func(f Firmware) string { return f.Path })...)
	return list
}

// settled leaves out how much memory is free, which is never the same twice.
func settled(list []Node) []Node {
	list = slices.Clone(list)
	for i := range list {
		list[i].FreeBytes = 0
	}
	return list
}

func bared(list []Content) []Content {
	list = slices.Clone(list)
	for i := range list {
		if c := &list[i]; c.Bare() {
			c.Blank, c.EndsZero = false, true
		}
	}
	return list
}

func differ[T any](what string, a, b []T, key func(T) string) []Difference {
	was, is := texts(a, key), texts(b, key)
	var list []Difference
	for _, k := range slices.Sorted(maps.Keys(was)) {
		switch now, there := is[k]; {
		case !there:
			list = append(list, Difference{What: what, Name: k, Gone: true})
		case now != was[k]:
			list = append(list, Difference{What: what, Name: k})
		}
	}
	for _, k := range slices.Sorted(maps.Keys(is)) {
		if _, there := was[k]; !there {
			list = append(list, Difference{What: what, Name: k, New: true})
		}
	}
	return list
}

func texts[T any](list []T, key func(T) string) map[string]string {
	m := make(map[string]string, len(list))
	for _, v := range list {
		content, err := json.Marshal(v)
		if err != nil {
			panic(err) // facts are plain values
		}
		m[key(v)] = string(content)
	}
	return m
}
