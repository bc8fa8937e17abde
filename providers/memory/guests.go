package memory

import (
	"context"
	"crypto/sha256"
	"fmt"
	"maps"
	"slices"
	"time"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
)

// Define sets the kept definition of a guest.
func (h *Host) Define(ctx context.Context, xml string) error {
	return h.deed("define guest", func() error { return h.define(ctx, xml) })
}

func (h *Host) define(ctx context.Context, xml string) error {
	name, uuid, err := definition.Names(xml)
	if err != nil {
		return err
	}
	if h.judge != nil {
		if xml, err = h.judge.Define(ctx, xml); err != nil {
			return err
		}
		if _, uuid, err = definition.Names(xml); err != nil {
			return err
		}
	}
	kept, err := definition.Read(xml)
	if err != nil {
		return err
	}
	if g := h.guest(name); g != nil {
		g.Kept = &kept
		return nil
	}
	if uuid == "" {
		uuid = uuidOf(name)
	}
	h.survey.Libvirt.Guests = append(h.survey.Libvirt.Guests, facts.Guest{Name: name, UUID: uuid, Condition: "shut off", Kept: &kept})
	return nil
}

// uuidOf gives a guest without one a fixed UUID, where libvirt would draw lots.
func uuidOf(name string) string {
	sum := sha256.Sum256([]byte(name))
	return fmt.Sprintf("%x-%x-%x-%x-%x", sum[0:4], sum[4:6], sum[6:8], sum[8:10], sum[10:16])
}

// Undefine removes the kept definition; a running guest lives on without one.
func (h *Host) Undefine(ctx context.Context, name string) error {
	return h.deed("undefine "+name, func() error {
		g := h.guest(name)
		if g == nil {
			return noGuest(name)
		}
		if h.judge != nil {
			if err := h.judge.Undefine(ctx, name); err != nil {
				return err
			}
		}
		g.Kept, g.Autostart = nil, false
		h.forget(name)
		return nil
	})
}

// forget drops a guest that has neither a kept nor a live definition.
func (h *Host) forget(name string) {
	h.survey.Libvirt.Guests = slices.DeleteFunc(h.survey.Libvirt.Guests, func(g facts.Guest) bool {
		return g.Name == name && g.Kept == nil && g.Live == nil
	})
}

// Autostart sets whether the guest starts with the host.
func (h *Host) Autostart(ctx context.Context, name string, on bool) error {
	return h.deed("set autostart of "+name, func() error {
		g := h.guest(name)
		if g == nil {
			return noGuest(name)
		}
		g.Autostart = on
		return nil
	})
}

// Start starts a guest for an order, as libvirt would, without a look at mounts
// or serials but the guard's.
func (h *Host) Start(ctx context.Context, name string) error {
	return h.deed("start "+name, func() error {
		if g := h.guest(name); g != nil && g.Kept != nil {
			for _, lent := range g.Kept.Hostdevs {
				h.noteUse(lent.Address, (*facts.Index).LiveUses)
			}
		}
		return h.start(ctx, name, true)
	})
}

func (h *Host) start(ctx context.Context, name string, ordered bool) error {
	g := h.guest(name)
	switch {
	case g == nil:
		return noGuest(name)
	case g.Running:
		return fmt.Errorf("Requested operation is not valid: domain is already running")
	}
	if err := h.ask(g, ordered); err != nil {
		return err
	}
	return h.launch(ctx, g)
}

// launch is what libvirt does of a start once the guard has been asked.
func (h *Host) launch(ctx context.Context, g *facts.Guest) error {
	if err := h.disksThere(g); err != nil {
		return err
	}
	if err := h.aidsThere(g); err != nil {
		return err
	}
	if err := h.lend(g); err != nil {
		return err
	}
	if err := h.takePages(g); err != nil {
		h.letGo(g.Kept)
		return err
	}
	if h.judge != nil {
		if err := h.judge.Start(ctx, g.Name); err != nil {
			h.letGo(g.Kept)
			h.letPages(g, g.Kept)
			return err
		}
	}
	g.Live, g.Running, g.Condition = h.live(*g), true, "running"
	return nil
}

// live gives what libvirt makes of a kept definition at a start. It adds an id,
// aliases, labels and images below others, which nobody can foretell: a guest
// that is as it was when the survey was taken, and ran, gets what it had.
func (h *Host) live(g facts.Guest) *facts.Definition {
	for _, was := range h.began {
		if was.Name == g.Name && definition.Same(was.Kept.XML, g.Kept.XML) && startedAs(*was.Live, *was.Kept) {
			return was.Live
		}
	}
	live := *g.Kept
	return &live
}

// startedAs tells whether a running guest was started with a definition: what
// was changed since would be in force after a restart.
func startedAs(live, kept facts.Definition) bool {
	own := func(d facts.Definition) (disks []facts.Disk) {
		for _, disk := range d.Disks {
			if disk.Device != "backing" && disk.Device != "mirror" {
				disks = append(disks, disk)
			}
		}
		return disks
	}
	return slices.Equal(live.Hostdevs, kept.Hostdevs) && slices.Equal(live.Identities, kept.Identities) && slices.Equal(own(live), own(kept)) &&
		live.MemoryBytes == kept.MemoryBytes && live.CPUs == kept.CPUs && live.HugePages == kept.HugePages &&
		slices.Equal(live.Portions, kept.Portions) && live.PageBytes == kept.PageBytes && live.MemoryNodes == kept.MemoryNodes && live.Pinned == kept.Pinned
}

// disksThere refuses a start without the image, as QEMU does.
func (h *Host) disksThere(g *facts.Guest) error {
	ix := facts.NewIndex(&h.survey)
	for _, d := range g.Kept.Disks {
		if p := ix.Path(d.Source); d.Kind == "file" && p != nil && p.Missing {
			return fmt.Errorf("Cannot access storage file '%s': No such file or directory", d.Source)
		}
	}
	return nil
}

// Stop shuts a guest down. Guests in memory always obey.
func (h *Host) Stop(ctx context.Context, name string, _ time.Duration) error {
	return h.deed("stop "+name, func() error {
		g := h.guest(name)
		switch {
		case g == nil:
			return noGuest(name)
		case !g.Running:
			return fmt.Errorf("Requested operation is not valid: domain is not running")
		}
		if h.judge != nil {
			if err := h.judge.Stop(ctx, name); err != nil {
				return err
			}
		}
		h.end(g)
		return nil
	})
}

func (h *Host) end(g *facts.Guest) {
	h.letGo(g.Live)
	h.letPages(g, g.Live)
	g.Live, g.Running, g.Condition = nil, false, "shut off"
	h.forget(g.Name)
}

// PowerCut ends everything at once and starts the host again: functions are with their
// drivers, cards that were unplugged are there, and what was mounted when the survey was
// taken is mounted again, as by fstab, where its drive is there. Then the guests run
// that libvirt starts by itself, as far as the guard lets them.
func (h *Host) PowerCut() { h.PowerCutWithout() }

// PowerCutWithout is PowerCut of a host out of which cards were taken meanwhile, by a
// function of each.
func (h *Host) PowerCutWithout(cards ...facts.Address) {
	_ = h.alone(func() error { // only keeping it in a folder can fail, and h.lost tells of that
		h.boots(cards)
		return nil
	})
}

func (h *Host) boots(without []facts.Address) {
	for i := len(h.survey.Libvirt.Guests) - 1; i >= 0; i-- {
		if g := &h.survey.Libvirt.Guests[i]; g.Running {
			h.end(g)
		}
	}
	h.plugged()
	for _, at := range slices.SortedFunc(maps.Keys(h.unseen), facts.Address.Compare) {
		h.yield(at)
		h.restore(at)
	}
	for _, at := range without {
		h.pull(at)
	}
	there := map[facts.Devno]bool{}
	for _, b := range h.survey.Blocks {
		there[b.Devno] = true
	}
	h.bootPages()
	h.bootVirtuals()
	h.survey.Mounts = slices.DeleteFunc(slices.Clone(h.boot), func(m facts.Mount) bool { return m.Devno.Major != 0 && !there[m.Devno] })
	h.see()
	for _, name := range h.autostarts() {
		if err := h.start(context.Background(), name, false); err != nil {
			h.afterwards(name, *h.guest(name).Kept) // nobody is there to be told
		}
	}
}

// autostarts gives the guests that libvirt starts when it comes up, and that are off.
func (h *Host) autostarts() (names []string) {
	for _, g := range h.survey.Libvirt.Guests {
		if g.Autostart && g.Kept != nil && !g.Running {
			names = append(names, g.Name)
		}
	}
	return names
}

func noGuest(name string) error {
	return fmt.Errorf("Domain not found: no domain with matching name '%s'", name)
}

// Introduce tells the judge of every guest there is: libvirt's test driver
// knows none when its process begins.
func (h *Host) Introduce(ctx context.Context) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, g := range h.survey.Libvirt.Guests {
		if g.Kept == nil {
			continue
		}
		if _, err := h.judge.Define(ctx, g.Kept.XML); err != nil {
			return fmt.Errorf("introduce guest %s: %w", g.Name, err)
		}
		if !g.Running {
			continue
		}
		if err := h.judge.Start(ctx, g.Name); err != nil {
			return fmt.Errorf("introduce guest %s: %w", g.Name, err)
		}
	}
	return nil
}
