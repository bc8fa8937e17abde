package adopt

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// join states virtual functions by the controllers that make them.
func (h *host) join(all []*controller, names map[string]bool) {
	by := map[facts.Address]*controller{}
	for _, c := range all {
		if len(c.others) == 0 {
			by[c.f.Address] = c
		}
	}
	for _, c := range all {
		if c.f.Parent == nil {
			continue
		}
		if c.parent = by[*c.f.Parent]; c.parent != nil {
			c.parent.virtuals = append(c.parent.virtuals, c)
		}
		if why := h.unjoinable(c); c.out == "" && why != "" {
			c.out = why
		}
		if c.out == "" {
			h.rename(c, names)
			c.virtual = &spec.VirtualIdentity{Of: spec.Ref{Name: c.parent.name}, Number: *c.f.VirtualNumber}
		}
	}
}

// unjoinable says why a virtual function cannot be stated; empty: it can.
func (h *host) unjoinable(c *controller) string {
	switch {
	case c.parent == nil:
		return "what makes it, " + c.f.Parent.String() + ", cannot be stated as a controller of its own"
	case c.f.VirtualNumber == nil:
		return "which of the virtual functions of " + c.parent.f.Title() + " it is, is not known"
	case c.parent.out != "":
		return "what makes it, " + c.parent.f.Title() + ", cannot be stated: " + c.parent.out
	}
	return ""
}

// rename gives a virtual function, and what makes it, the names that an earlier layout
// gave them; else the first one of the second.
func (h *host) rename(c *controller, names map[string]bool) {
	record := h.record(c.f)
	if record == nil {
		if name := fmt.Sprintf("%s-v%d", c.parent.name, *c.f.VirtualNumber); !names[name] {
			c.name, names[name] = name, true
		}
		return
	}
	name := record.Virtual.Controller
	if name != "" && !names[name] && c.parent.virtuals[0] == c && sayable(spec.Part{Controller: &spec.Controller{Name: name, PCI: &spec.PCIIdentity{}}}) == nil {
		c.parent.name, names[name] = name, true
	}
}

// lives tells whether a virtual function stands in the layout, in a comment at least:
// then what makes it is stated.
func (h *host) lives(c *controller) bool {
	return c.out == "" && (h.concerns(c) || c.verdict().MayBeLent())
}
