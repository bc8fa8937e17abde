package adopt

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// host is what is being written down of a host. It shrinks: what would change the
// host is put out.
type host struct {
	ix          *facts.Index
	name        string
	controllers []*controller // those that guests borrow or live on, by address
	others      []*controller // the rest, which may be lent or not
	guests      []*guest      // all that libvirt knows, by name
	shifts      bool          // shifts can be written
	told        []string
}

func newHost(ix *facts.Index) *host {
	h := &host{ix: ix, name: ix.Survey.Machine.Name, shifts: true}
	if err := spec.Says(spec.Part{Host: &spec.Host{Name: h.name}}); err != nil {
		h.tell("The name of the host, %q: %v.", h.name, err)
		h.name = "host"
	}
	for _, gap := range ix.Survey.AreaGaps() {
		h.tell("The %s of the host could not be read (%s), so what is written here may lack what they would show.", gap.Fact, gap.Reason)
	}
	for i := range ix.Survey.Libvirt.Guests {
		h.guests = append(h.guests, h.guest(&ix.Survey.Libvirt.Guests[i]))
	}
	var all []*controller
	names, within := map[string]bool{}, map[*facts.Function]bool{}
	for i := range ix.Survey.Functions {
		f := &ix.Survey.Functions[i]
		if f.Bridge() || within[f] {
			continue
		}
		others := h.wholeSlot(f)
		for _, other := range others {
			within[other] = true
		}
		all = append(all, h.controller(f, others, names))
	}
	h.join(all, names)
	for _, c := range all {
		if h.concerns(c) || slices.ContainsFunc(c.virtuals, h.lives) {
			h.controllers = append(h.controllers, c)
		} else {
			h.others = append(h.others, c)
		}
	}
	for _, c := range h.controllers {
		where, holder := h.where(c)
		switch {
		case c.out != "":
			h.tell("%s: %s.", c.title(), c.out)
		case where == facts.Lent:
			h.tell("What the host mounts from %s, and which guests live on it, is not seen while guest %s has it; adopt the host again once it is off.", c.f.Title(), holder.Name)
		default:
			h.findMounts(c)
		}
	}
	for _, g := range h.guests {
		if on := h.livesOn(g); g.out != "" && len(on) > 0 {
			h.tell("Guest %s, which lives on %s: %s.", g.Name, on[0].f.Title(), g.out)
		}
	}
	return h
}

func (h *host) tell(format string, values ...any) {
	if text := fmt.Sprintf(format, values...); !slices.Contains(h.told, text) {
		h.told = append(h.told, text)
	}
}

// concerns tells whether a guest borrows a function or has its disks on it. Where
// the host's own system is, nothing is ever lent.
func (h *host) concerns(c *controller) bool {
	return slices.ContainsFunc(h.guests, func(g *guest) bool { return slices.Contains(g.has, c.f) }) ||
		len(c.lodgers) > 0 && !slices.ContainsFunc(c.uses, func(u facts.Use) bool { return u.Kind == facts.UseSystem })
}

// in gives the controllers that are carried over.
func (h *host) in() []*controller {
	return slices.DeleteFunc(slices.Clone(h.controllers), func(c *controller) bool { return c.out != "" || c.parent != nil && c.parent.out != "" })
}

// carried gives the guests that are carried over: they have to do with a
// controller that is.
func (h *host) carried() []*guest {
	return slices.DeleteFunc(slices.Clone(h.guests), func(g *guest) bool {
		return g.out != "" || len(h.borrows(g)) == 0 && len(h.livesOn(g)) == 0
	})
}

func (h *host) borrows(g *guest) []*controller {
	return slices.DeleteFunc(h.in(), func(c *controller) bool { return !slices.Contains(g.has, c.f) })
}

func (h *host) livesOn(g *guest) []*controller {
	return slices.DeleteFunc(h.in(), func(c *controller) bool { return !c.lodgers[g.Name] })
}

// heed takes out of what is written down what complaints are about, the least that
// can be: once for each thing, since the next may be a consequence. It tells whether
// anything was left to take.
func (h *host) heed(list []complaint, ranges []written) bool {
	heeded := map[int]bool{}
	any := false
	for _, c := range list {
		at := slices.IndexFunc(ranges, func(w written) bool {
			return w.file == c.at.File && w.first <= c.at.Line && c.at.Line <= w.last
		})
		if at >= 0 && !heeded[at] {
			heeded[at] = true
			any = h.take(ranges[at], c) || any
		}
	}
	return any
}

func (h *host) take(w written, c complaint) bool {
	switch {
	case w.controller != nil && c.whole:
		h.putOut(w.controller, c.why)
		return true
	case w.controller != nil:
		return h.heedController(w.controller, c.why)
	case w.guest != nil:
		return h.heedGuest(w.guest, c.why)
	case w.Shift != nil:
		h.shifts = false
		h.tell("Shifts: %s", c.why)
		return true
	case w.Host != nil:
		list := h.in()
		for _, in := range list {
			h.putOut(in, c.why)
		}
		return len(list) > 0
	}
	return false
}

func (h *host) heedController(c *controller, why string) bool {
	if c.out == "" && len(c.mounts) == 0 {
		h.putOut(c, why)
	}
	for _, m := range c.mounts {
		h.tell("What is mounted at %s: %s", m.Path, why)
	}
	c.mounts, c.partitions = nil, nil
	return true
}

func (h *host) putOut(c *controller, why string) {
	c.out = why
	h.tell("%s: %s.", c.title(), strings.TrimSuffix(why, "."))
	for _, v := range c.virtuals {
		if v.out == "" {
			v.out = "what makes it, " + c.f.Title() + ", is not carried over"
		}
	}
}

func (h *host) heedGuest(g *guest, why string) bool {
	borrowed := h.borrows(g)
	switch {
	case g.bare == "":
		g.bare = why
	case len(borrowed) > 0:
		for _, c := range borrowed {
			h.putOut(c, "guest "+g.Name+" has it, and "+why)
		}
	default:
		g.out = why
		h.tell("Guest %s: %s", g.Name, why)
	}
	return true
}

func byPath(a, b spec.Mount) int { return cmp.Compare(a.Path, b.Path) }
