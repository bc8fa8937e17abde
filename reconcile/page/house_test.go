package page_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/page"
)

// told writes places as text: what is inside in brackets, a fence by its words.
func told(list []page.Place) string {
	var texts []string
	for _, p := range list {
		text := ""
		switch {
		case p.Fence != nil:
			text = p.Fence.Words
			for _, m := range p.Fence.Others {
				text += " " + m.To
			}
		default:
			text = p.Function.Address[5:]
		}
		if len(p.Inside) > 0 {
			text += " [" + told(p.Inside) + "]"
		}
		texts = append(texts, text)
	}
	return strings.Join(texts, ", ")
}

// hung adds a function to a host: bus, slot and function as lspci has them, below
// another one, in a group.
func hung(s *facts.Survey, at, below string, group, node int) {
	address, err := facts.ParseAddress("0000:" + at)
	if err != nil {
		panic(err) // a mistake in a test's own input
	}
	f := facts.Function{Address: address, NUMANode: node, Class: 0x060400, HeaderType: 1}
	if below != "" {
		above, _ := facts.ParseAddress("0000:" + below)
		f.Upstream = &above
	}
	if group >= 0 {
		f.Group = &group
	}
	s.Functions = append(s.Functions, f)
}

func TestHouse(t *testing.T) {
	for name, c := range map[string]struct {
		hang func(*facts.Survey)
		want string
	}{
		"alone": {func(s *facts.Survey) {
			hung(s, "00:01.0", "", 1, -1)
			hung(s, "01:00.0", "00:01.0", 2, -1)
		}, "00:01.0 [01:00.0]"},
		"two ports and what is below them in one group": {func(s *facts.Survey) {
			hung(s, "00:01.0", "", 1, -1)
			hung(s, "00:01.1", "", 1, -1)
			hung(s, "01:00.0", "00:01.0", 1, -1)
			hung(s, "02:00.0", "00:01.1", 1, -1)
		}, "4 functions that go together [00:01.0 [01:00.0], 00:01.1 [02:00.0]]"},
		"one below a shared port that is alone": {func(s *facts.Survey) {
			hung(s, "00:01.0", "", 1, -1)
			hung(s, "00:01.1", "", 1, -1)
			hung(s, "01:00.0", "00:01.0", 2, -1)
		}, "2 functions that go together [00:01.0 [goes alone [01:00.0]], 00:01.1]"},
		"two of a card beside another": {func(s *facts.Survey) {
			hung(s, "00:01.0", "", 1, -1)
			hung(s, "01:00.0", "00:01.0", 2, -1)
			hung(s, "01:00.1", "00:01.0", 2, -1)
			hung(s, "01:01.0", "00:01.0", 3, -1)
		}, "00:01.0 [2 functions that go together [01:00.0, 01:00.1], 01:01.0]"},
		"members far from each other": {func(s *facts.Survey) {
			hung(s, "00:01.0", "", 1, -1)
			hung(s, "00:02.0", "", 2, -1)
			hung(s, "01:00.0", "00:01.0", 3, -1)
			hung(s, "02:00.0", "00:02.0", 3, -1)
		}, "00:01.0 [1 of 2 that go together; with pci-0000-02-00.0 [01:00.0]], 00:02.0 [1 of 2 that go together; with pci-0000-01-00.0 [02:00.0]]"},
		"in no group":             {func(s *facts.Survey) { hung(s, "00:01.0", "", -1, -1) }, "00:01.0"},
		"below what is not there": {func(s *facts.Survey) { hung(s, "01:00.0", "00:1f.0", 1, -1) }, "01:00.0"},
		"each above the other": {func(s *facts.Survey) {
			hung(s, "00:01.0", "00:02.0", 1, -1)
			hung(s, "00:02.0", "00:01.0", 2, -1)
		}, "00:01.0 [00:02.0]"},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			c.hang(&b.Survey)
			p := whole(t, given(t, &b.Survey, placed(invented.Layout(nil, nil)), ""))
			assert.Len(t, p.Nodes, 1)
			assert.Equal(t, c.want, told(p.Nodes[0].Branches))
		})
	}
}

func TestNodes(t *testing.T) {
	b := invented.NewBuilder()
	hung(&b.Survey, "00:01.0", "", 1, 1)
	hung(&b.Survey, "00:02.0", "", 2, 0)
	hung(&b.Survey, "00:03.0", "", 3, -1)
	var titles []string
	for _, node := range page.Draw(given(t, &b.Survey, placed(invented.Layout(nil, nil)), "")).Nodes {
		titles = append(titles, node.Title+": "+told(node.Branches))
	}
	assert.Equal(t, []string{"Of no node: 00:03.0", "Node 0: 00:02.0", "Node 1: 00:01.0"}, titles)
}

// A survey may claim any depth; what is drawn within each other has an end, and
// nothing is left out.
func TestDeepHouse(t *testing.T) {
	b := invented.NewBuilder()
	above := ""
	for n := range 200 {
		at := fmt.Sprintf("%02x:00.0", n)
		hung(&b.Survey, at, above, n, -1)
		above = at
	}
	p := whole(t, given(t, &b.Survey, placed(invented.Layout(nil, nil)), ""))
	var depth func(list []page.Place) int
	depth = func(list []page.Place) int {
		most := 0
		for _, place := range list {
			most = max(most, 1+depth(place.Inside))
		}
		return most
	}
	assert.Less(t, depth(p.Nodes[0].Branches), 20)
}

// Any tree and any groups: everything is drawn once (whole), whatever goes together
// is in one fence or names what is elsewhere.
func TestRandomHouses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := invented.NewBuilder()
		n := rapid.IntRange(1, 24).Draw(t, "functions")
		for i := range n {
			below := ""
			if j := rapid.IntRange(-1, n-1).Draw(t, "below"); j >= 0 && j != i {
				below = fmt.Sprintf("%02x:00.0", j)
			}
			hung(&b.Survey, fmt.Sprintf("%02x:00.0", i), below, rapid.IntRange(-1, 6).Draw(t, "group"), rapid.IntRange(-1, 1).Draw(t, "node"))
		}
		g := given(t, &b.Survey, placed(invented.Layout(nil, nil)), "")
		var fences func(list []page.Place, around map[string]bool)
		fences = func(list []page.Place, around map[string]bool) {
			for _, place := range list {
				if place.Fence == nil {
					at, _ := facts.ParseAddress(place.Function.Address)
					if group := g.Case.Facts.Function(at).Group; group != nil {
						for _, member := range g.Case.Facts.Group(*group) {
							id := "pci-" + strings.ReplaceAll(member.Address.String(), ":", "-")
							assert.True(t, member.Address == at || around[id], "%s goes with %s", place.Function.ID, id)
						}
					}
					fences(place.Inside, around)
					continue
				}
				within := map[string]bool{}
				for id := range around {
					within[id] = true
				}
				collect([]page.Place{place}, within)
				for _, m := range place.Fence.Others {
					within[m.To] = true
				}
				fences(place.Inside, within)
			}
		}
		for _, node := range whole(t, g).Nodes {
			fences(node.Branches, map[string]bool{})
		}
	})
}

func collect(list []page.Place, ids map[string]bool) {
	for _, p := range list {
		if p.Function != nil {
			ids[p.Function.ID] = true
		}
		collect(p.Inside, ids)
	}
}
