package memory

import (
	"context"
	"fmt"
	"maps"
	"path"
	"time"

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

// Recover implements guard.Recovery.
func (h *Host) Recover(ctx context.Context, at facts.Address, by guard.Rung) error {
	return h.deed(string(by)+" "+at.String(), func() error { return locked{h}.Recover(ctx, at, by) })
}

// locked is a host that its caller has locked.
type locked struct{ *Host }

func (h locked) Recover(_ context.Context, at facts.Address, by guard.Rung) error {
	f := h.function(at)
	if f == nil {
		return fmt.Errorf("%s of %s: no such device", by, at)
	}
	if f.Driver == "" && h.stubborn[at] == by {
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
	ladders := map[string]*guard.Ladder{}
	for again := true; again; {
		ix := h.withoutLibvirt()
		seen := guard.After(rules, ix, guard.Call{Guest: name, Definition: d})
		for _, m := range seen.Mount {
			_ = h.mount(m.Device, m.FSType, m.Path, m.Options) // as at a real host: nobody is there to be told
		}
		again = false
		for _, m := range seen.Wait {
			ladder := ladders[m.Controller.Controller]
			if ladder == nil {
				ladder = &guard.Ladder{}
				ladders[m.Controller.Controller] = ladder
			}
			next := ladder.Next(ix, m.Controller)
			if !m.Drive || next.Rung == "" {
				continue
			}
			_ = ladder.Do(context.Background(), locked{h}, next, func() time.Time { return h.survey.TakenAt })
			again = true
		}
	}
}

// withoutLibvirt gives the facts that the guard has, who may not call libvirt, but
// looks where everything leads that a definition names.
func (h *Host) withoutLibvirt() *facts.Index {
	seen := Clone(h.survey).Answered()
	looked := map[string]bool{}
	for _, p := range seen.Paths {
		looked[p.Named] = true
	}
	for i := range seen.Libvirt.Guests {
		for _, d := range seen.Libvirt.Guests[i].Definitions() {
			for _, named := range d.Paths() {
				if !looked[named] {
					looked[named] = true
					seen.Paths = append(seen.Paths, facts.Path{Named: named, Resolved: path.Clean(named)})
				}
			}
		}
	}
	seen.Libvirt = facts.Virtualization{}
	return facts.NewIndex(&seen)
}
