package step_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

func TestKeepPages(t *testing.T) {
	more := &step.KeepPages{Node: 1, SizeBytes: 2 << 20, Before: 3, After: 515}
	fewer := &step.KeepPages{Node: 1, SizeBytes: 2 << 20, Before: 515, After: 3}
	for name, c := range map[string]struct {
		s        *step.KeepPages
		pages    facts.Pages
		stands   step.Standing
		ready    string // why not; empty: it is
		mayUndo  string
		topology func(*facts.Topology)
	}{
		"before":                              {s: more, pages: facts.Pages{Total: 3}, stands: step.Before},
		"after":                               {s: more, pages: facts.Pages{Total: 515, Free: 515}, stands: step.After},
		"what the kernel lends is no reserve": {s: more, pages: facts.Pages{Total: 520, Free: 515, Surplus: 5}, stands: step.After, mayUndo: "5 are in use"},
		"fewer than asked for":                {s: more, pages: facts.Pages{Total: 400, Free: 400}, stands: step.Neither},
		"somebody has set more":               {s: more, pages: facts.Pages{Total: 600, Free: 600}, stands: step.Neither, mayUndo: "somebody has set another number, 600"},
		"somebody has set fewer":              {s: more, pages: facts.Pages{Total: 1, Free: 1}, stands: step.Neither, mayUndo: "somebody has set another number, 1"},
		"a guest runs in them":                {s: more, pages: facts.Pages{Total: 515, Free: 3}, stands: step.After, mayUndo: "512 are in use"},
		"back":                                {s: fewer, pages: facts.Pages{Total: 515, Free: 512}, stands: step.Before},
		"back while they are used":            {s: fewer, pages: facts.Pages{Total: 515, Free: 100}, stands: step.Before, ready: "415 are in use"},
		"given back":                          {s: fewer, pages: facts.Pages{Total: 3}, stands: step.After},
		"not known": {s: more, ready: "could not be read", mayUndo: "could not be read", topology: func(t *facts.Topology) {
			t.Gaps = []facts.Gap{{Fact: "node 1", Path: "/sys/x", Reason: "no"}}
		}},
		"no such node":  {s: more, ready: "no node 1", mayUndo: "no node 1", topology: func(t *facts.Topology) { t.Nodes = nil }},
		"no such pages": {s: more, ready: "no huge pages of 2.0 MiB", mayUndo: "no huge pages of 2.0 MiB", topology: func(t *facts.Topology) { t.Nodes[0].HugePages = nil }},
	} {
		t.Run(name, func(t *testing.T) {
			c.pages.SizeBytes = 2 << 20
			survey := facts.Survey{Topology: facts.Topology{Nodes: []facts.Node{{Number: 1, HugePages: []facts.Pages{c.pages}}}}}
			if c.topology != nil {
				c.topology(&survey.Topology)
			}
			ix := facts.NewIndex(&survey)
			standing, seen := c.s.Stands(ix)
			assert.Equal(t, c.stands, standing, seen)
			assert.NotEmpty(t, seen)
			tells := func(err error, why string) {
				if why == "" {
					assert.NoError(t, err)
					return
				}
				assert.ErrorContains(t, err, why)
			}
			tells(c.s.Ready(ix), c.ready)
			tells(c.s.MayUndo(ix), c.mayUndo)
		})
	}
	for _, s := range []step.KeepPages{{SizeBytes: 1}, {SizeBytes: 1, After: -1}, {Before: -1, SizeBytes: 1}, {After: 1}, {After: 1, SizeBytes: 1, Node: -1}, {After: 1 << 40, SizeBytes: 1 << 30}} {
		assert.Error(t, s.Sound(), "%+v", s)
	}
	assert.NoError(t, more.Sound())
}
