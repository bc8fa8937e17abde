package memory

import (
	"context"
	"fmt"
	"maps"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// Never is for a controller that only a power cut brings back.
const Never guard.Rung = "never"

// Stubborn has a controller stay away when it is next handed back, without a
// driver, until somebody does that rung.
func (h *Host) Stubborn(at facts.Address, until guard.Rung) {
	h.mu.Lock()
	defer h.mu.Unlock()
	stubborn := maps.Clone(h.stubborn) // copies of the host share it
	if stubborn == nil {
		stubborn = map[facts.Address]guard.Rung{}
	}
	stubborn[at] = until
	h.stubborn = stubborn
}

// Probe has the kernel look for a driver, as do the rungs below in their way.
func (h *Host) Probe(ctx context.Context, at facts.Address) error { return h.rung(at, guard.Probe) }

// Rebind has the driver let go and take the function again.
func (h *Host) Rebind(ctx context.Context, at facts.Address) error { return h.rung(at, guard.Rebind) }

// Reset resets the function.
func (h *Host) Reset(ctx context.Context, at facts.Address) error { return h.rung(at, guard.Reset) }

// Rescan removes the function and looks at its bus again.
func (h *Host) Rescan(ctx context.Context, at facts.Address) error { return h.rung(at, guard.Rescan) }

func (h *Host) rung(at facts.Address, rung guard.Rung) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if err := h.climb(at, rung); err != nil {
		return err
	}
	return h.changed()
}

func (h *Host) climb(at facts.Address, rung guard.Rung) error {
	f := h.function(at)
	if f == nil {
		return fmt.Errorf("%s of %s: no such device", rung, at)
	}
	if f.Driver == "" && h.stubborn[at] == rung {
		h.yield(at)
		h.restore(at)
	}
	return nil
}

// yield has a controller come back like any other.
func (h *Host) yield(at facts.Address) {
	h.stubborn = maps.Clone(h.stubborn)
	delete(h.stubborn, at)
}

// afterwards does what the guard does once a guest has let go: mounts, and the
// ladder for what is not back. Time is none in memory.
func (h *Host) afterwards(name string, d facts.Definition) {
	rules, err := guard.Decode(h.survey.Guard.Rules)
	if err != nil || !h.guarded() || !h.survey.Guard.Program {
		return
	}
	tried := map[string][]guard.Rung{}
	for again := true; again; {
		ix := h.withoutLibvirt()
		seen := guard.After(rules, ix, guard.Call{Guest: name, Definition: d})
		for _, m := range seen.Mount {
			_ = h.mount(m.Device, m.FSType, m.Path, m.Options) // as at a real host: nobody is there to be told
		}
		again = false
		for _, m := range seen.Wait {
			of := m.Controller.Controller
			next := guard.Climb(ix, m.Controller, tried[of])
			if !m.Drive || next.Rung == "" {
				continue
			}
			tried[of] = append(tried[of], next.Rung)
			_ = h.climb(next.At, next.Rung)
			again = true
		}
	}
}

// withoutLibvirt gives the facts that the guard has, who may not call libvirt.
func (h *Host) withoutLibvirt() *facts.Index {
	seen := Clone(h.survey).Answered()
	seen.Libvirt, seen.Paths = facts.Virtualization{}, nil
	return facts.NewIndex(&seen)
}
