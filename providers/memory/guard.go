package memory

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// Install sets what is installed of the guard. Unlike a libvirt that had no
// hook when it began, this host heeds it at once.
func (h *Host) Install(ctx context.Context, files facts.GuardFiles) error {
	return h.deed("install guard", func() error {
		h.survey.Guard.GuardFiles = files
		return nil
	})
}

// StartByHand starts a guest as somebody does who has no order: the guard, where it
// is installed, unmounts what is in the way.
func (h *Host) StartByHand(ctx context.Context, name string) error {
	return h.alone(func() error {
		err := h.start(ctx, name, false)
		if g := h.guest(name); err != nil && g != nil && g.Kept != nil && !g.Running {
			h.afterwards(g.Name, *g.Kept) // libvirt calls release of a refused start too
		}
		return err
	})
}

// Launch starts a guest of which the guard was asked by whoever calls.
func (h *Host) Launch(ctx context.Context, name string) error {
	return h.alone(func() error {
		g := h.guest(name)
		switch {
		case g == nil || g.Kept == nil:
			return noGuest(name)
		case g.Running:
			return fmt.Errorf("Requested operation is not valid: domain is already running")
		}
		return h.launch(ctx, g)
	})
}

// EndByHand ends a running guest without an order: it was shut down, or killed.
func (h *Host) EndByHand(name string) error {
	return h.alone(func() error {
		g := h.guest(name)
		if g == nil || !g.Running {
			return fmt.Errorf("guest %s does not run", name)
		}
		live := *g.Live
		h.end(g)
		h.afterwards(name, live)
		return nil
	})
}

// ask has the installed guard decide on a start.
func (h *Host) ask(g *facts.Guest, ordered bool) error {
	if !h.guarded() {
		return nil
	}
	call := guard.Call{Guest: g.Name, Definition: *g.Kept}
	if ordered { // what it says of itself: that it starts this guest, with what the definition means
		call.Ordered = &guard.Ordered{Told: true, Guests: []string{g.Name}, Start: g.Name, Takes: h.means(g.Kept)}
	}
	verdict := h.verdict(call)
	for _, place := range verdict.Unmount {
		if err := h.unmount(place); err != nil {
			return refusal(err.Error())
		}
	}
	if len(verdict.Unmount) > 0 {
		if verdict = h.verdict(call); len(verdict.Unmount) > 0 {
			return refusal(verdict.Unmount[0] + " is still mounted")
		}
	}
	if verdict.Refuse != "" {
		return refusal(verdict.Refuse)
	}
	return nil
}

// means gives the controllers that a definition lends: by its own notes, by the
// rules, and else as what sits there.
func (h *Host) means(d *facts.Definition) []facts.Identity {
	list := slices.Clone(d.Identities)
	if rules, err := guard.Decode(h.survey.Guard.Rules); err == nil {
		for _, c := range rules.Controllers {
			list = append(list, c.Identity)
		}
	}
	for i := range h.survey.Functions {
		f := &h.survey.Functions[i]
		r := facts.Identity{Controller: f.Address.String(), Address: f.Address, Vendor: f.Vendor, Device: f.Device}
		switch {
		case f.Parent != nil:
			r.Virtual = h.virtualOf(f)
		case f.NVMe != nil:
			r.Serial = f.NVMe.Serial
		}
		list = append(list, r)
	}
	var meant []facts.Identity
	for _, l := range d.Hostdevs {
		if i := slices.IndexFunc(list, func(r facts.Identity) bool { return r.Has(l.Address) }); i >= 0 && !slices.Contains(meant, list[i]) {
			meant = append(meant, list[i])
		}
	}
	return meant
}

// guarded tells whether lendkeep's hook is installed; of another one in its
// place nothing is known.
func (h *Host) guarded() bool {
	g := h.survey.Guard
	return g.Hook != "" && g.Ours() && g.Runs()
}

func refusal(why string) error { return fmt.Errorf("Hook script execution failed: lendkeep: %s", why) }

func (h *Host) verdict(call guard.Call) guard.Verdict {
	if !h.survey.Guard.Program {
		return guard.Blind(call, errors.New("the guard's program is missing"))
	}
	rules, err := guard.Decode(h.survey.Guard.Rules)
	if err != nil {
		return guard.Blind(call, err)
	}
	return guard.Before(rules, h.withoutLibvirt(), call)
}

// asShown gives mount options as the kernel shows them: access times are relative
// where nothing else is asked for (mount(2), MS_RELATIME).
func asShown(options []string) []string {
	shown := slices.Clone(options)
	if !slices.Contains(options, "ro") && !slices.Contains(options, "rw") {
		shown = append([]string{"rw"}, options...)
	}
	if !slices.ContainsFunc(options, func(o string) bool { return o == "noatime" || o == "strictatime" || o == "relatime" }) {
		shown = append(shown, "relatime")
	}
	return shown
}

// remember fills in what the guard's rules hold of a controller that is away, of which
// is tells the record.
func (h *Host) remember(n *facts.NVMe, is func(facts.Identity) bool) {
	rules, err := guard.Decode(h.survey.Guard.Rules)
	if err != nil {
		return
	}
	for _, c := range rules.Controllers {
		if !is(c.Identity) {
			continue
		}
		n.Model = c.Model
		if c.SizeBytes > 0 {
			n.Namespaces = []facts.Namespace{{ID: 1, Block: n.Name + "n1", SizeBytes: c.SizeBytes}}
		}
	}
}

// rememberShown fills in what the rules hold of another function that is away, by
// where it is, and tells whether they hold anything. Its disks get their names when
// they come back.
func (h *Host) rememberShown(a *Unseen) (held bool) {
	rules, err := guard.Decode(h.survey.Guard.Rules)
	if err != nil {
		return false
	}
	for _, c := range rules.Controllers {
		for _, shown := range c.Shown {
			if shown.At(c.Identity.Address) != a.Address {
				continue
			}
			held = true
			a.Driver, a.Below.Shows = shown.Driver, shown.Shows
			for _, card := range shown.Interfaces {
				a.Below.Interfaces = append(a.Below.Interfaces, facts.Interface{Name: card.Name})
			}
			for i, id := range shown.Disks {
				disk := facts.Block{Name: fmt.Sprintf("sd-%d", i), Controller: &a.Address}
				if id != "" {
					disk.Links = []string{"disk/by-id/" + id}
				}
				a.Blocks = append(a.Blocks, disk)
			}
		}
	}
	return held
}
