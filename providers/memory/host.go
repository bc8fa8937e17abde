// Package memory is a whole host in the process, made from a survey, on which
// orders are rehearsed and tested. It answers as a real host does, measured
// with libvirt 9.0.0 and Linux 6.1: libvirt checks little, the kernel judges
// groups, and a drive taken away leaves its mounts behind. Start at New.
package memory

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/step"
)

// Judge is a real libvirt that every change of a guest goes through first.
// Define gives the definition back as libvirt keeps it.
type Judge interface {
	Define(ctx context.Context, xml string) (string, error)
	Undefine(ctx context.Context, name string) error
	Start(ctx context.Context, name string) error
	Stop(ctx context.Context, name string) error
}

// Host is a host in memory. Its methods may be called from several goroutines.
type Host struct {
	*world
	through Through // nil: nothing
}

// Through is what the calls of a host's ports go through: it does the deed or
// does not, and answers what it likes. The label names the call in reports; one
// that changes nothing only reads.
type Through func(label string, changes bool, do func() error) error

// Through gives the same host as it is seen through something, a fault.
func (h *Host) Through(t Through) *Host { return &Host{h.world, t} }

type world struct {
	mu       sync.Mutex
	survey   facts.Survey
	unseen   map[facts.Address]Unseen
	remount  map[string]facts.Mount         // what was unmounted, by device and path
	origins  map[string]Origin              // by path
	marks    map[string]facts.Volume        // how filesystems stood, by device and condition
	ends     map[string]Ends                // what was kept of drives, by its name
	places   map[string]facts.Path          // what was where images were made, by the name of what is kept
	stores   map[string]facts.VariableStore // what was kept of variable stores, by its sha256
	done     []Done                         // steps by hand that are confirmed
	boot     []facts.Mount                  // what a start of the host mounts
	held     map[string][]facts.Hold        // the huge pages that guests have, or had last, by guest
	reserved []facts.Node                   // the huge pages that it has after one
	virtuals []facts.Function               // the virtual functions that it has after one
	began    []facts.Guest                  // the guests that ran when the survey was taken
	stubborn map[facts.Address]guard.Rung   // what brings a controller back that does not come by itself
	pulled   []facts.Function               // those on cards that were unplugged, also where a guest still has them
	inUse    []string                       // what was lent while the host used it
	judge    Judge
	folder   string              // where every change is kept; empty: nowhere
	lost     error               // why nobody knows how the host stands
	agents   map[string]*talking // by guest; nil: not read yet
}

// Unseen is what a function on VFIO will show again once it is home.
type Unseen struct {
	Address facts.Address   `json:"address"`
	Driver  string          `json:"driver"`
	NVMe    *facts.NVMe     `json:"nvme,omitempty"`
	Blocks  []facts.Block   `json:"blocks,omitempty"`
	Below   Below           `json:"below,omitzero"`  // what else hangs on it
	Holds   []facts.Content `json:"holds,omitempty"` // what its drives hold
	Kept    bool            `json:"kept,omitempty"`  // it was on VFIO before the guest started, so libvirt leaves it there
}

// Origin is how a path that somebody names was found by the survey.
type Origin struct {
	Named   string `json:"named"`
	On      string `json:"on"` // where the filesystem is mounted that it would be on
	Missing bool   `json:"missing"`
}

// New makes a host that stands as the survey says. The judge may be nil: then
// nobody but this package judges definitions.
func New(survey facts.Survey, judge Judge) *Host {
	h := &Host{world: &world{survey: Clone(survey.Unanswered()), unseen: map[facts.Address]Unseen{}, remount: map[string]facts.Mount{}, origins: map[string]Origin{}, ends: map[string]Ends{}, held: map[string][]facts.Hold{}, places: map[string]facts.Path{}, stores: map[string]facts.VariableStore{}, marks: map[string]facts.Volume{}, judge: judge}}
	h.boot = slices.Clone(h.survey.Mounts)
	h.reserved = Clone(h.survey).Topology.Nodes
	h.virtuals = slices.DeleteFunc(slices.Clone(h.survey.Functions), func(f facts.Function) bool { return f.Parent == nil })
	h.began = slices.DeleteFunc(slices.Clone(h.survey.Libvirt.Guests), func(g facts.Guest) bool { return g.Live == nil || g.Kept == nil })
	h.believe()
	ix := facts.NewIndex(&h.survey)
	for _, p := range h.survey.Paths {
		h.origins[p.Named] = Origin{p.Named, holding(ix, p.Named), p.Missing}
	}
	for _, f := range h.survey.Functions {
		if f.OnVFIO() {
			h.unseen[f.Address] = h.guess(ix, f)
		}
	}
	return h
}

// guess tells what a function that was on VFIO when the survey was taken will
// be at home, as far as the survey lets one tell: the driver of an NVMe drive by its
// class, its serial by the record of a guest, all else by the guard's rules.
func (h *Host) guess(ix *facts.Index, f facts.Function) Unseen {
	a := Unseen{Address: f.Address, Kept: ix.Holder(f.Address) == nil}
	switch {
	case f.Class != facts.ClassNVMe, f.Parent != nil && a.Kept: // whether such a drive is online nobody knows
		h.rememberShown(&a)
		return a
	case f.Parent != nil: // a guest has none that is offline, or nobody uses what it may reach
		if h.rememberShown(&a) && a.Driver == "" { // it was offline when it was last at home
			return a
		}
		a.Driver, a.NVMe = "nvme", &facts.NVMe{Name: "nvme" + fmt.Sprint(90+len(h.unseen)), Serial: ix.SerialOf(&f), State: "live"}
		h.remember(a.NVMe, func(r facts.Identity) bool { return r.IsVirtual() && r.Address == f.Address })
		return a
	}
	a.Driver = "nvme"
	a.NVMe = &facts.NVMe{Name: "nvme" + fmt.Sprint(90+len(h.unseen)), State: "live"}
	recorded := func(definitions ...*facts.Definition) {
		for _, d := range definitions {
			for _, r := range d.Identities {
				if r.Address == f.Address {
					a.NVMe.Serial = r.Serial
				}
			}
		}
	}
	for i := range h.survey.Libvirt.Guests {
		recorded(h.survey.Libvirt.Guests[i].Definitions()...)
	}
	// Another guest's record of the same address may be stale; that of the one
	// that has it goes before.
	if holder := ix.Holder(f.Address); holder != nil && holder.Live != nil {
		recorded(holder.Live)
	}
	h.remember(a.NVMe, func(r facts.Identity) bool { return r.Serial != "" && r.Serial == a.NVMe.Serial })
	return a
}

// Expect adds a partition with a filesystem to a controller that is away, when
// the survey could not see it and an order counts on it.
func (h *Host) Expect(at facts.Address, partition, kind string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	a, ok := h.unseen[at]
	if !ok || a.NVMe == nil {
		return
	}
	if kind == "" {
		kind = "xfs"
	}
	drive := a.NVMe.Name + "n1"
	major := 400 + uint32(at.Bus)
	if len(a.Blocks) == 0 {
		a.Blocks = append(a.Blocks, facts.Block{Name: drive, Devno: facts.Devno{Major: major}, Controller: &at, SectorBytes: 512})
	}
	n := len(a.Blocks)
	a.Blocks = append(a.Blocks, facts.Block{
		Name: fmt.Sprintf("%sp%d", drive, n), Devno: facts.Devno{Major: major, Minor: uint32(n)}, Controller: &at, Whole: drive, SectorBytes: 512,
		Partition: &facts.Partition{Number: n, Name: partition},
		Signature: &facts.Signature{Kind: kind, Usage: "filesystem"},
	})
	h.unseen[at] = a
}

// Ports gives the host as everything that steps act through.
func (h *Host) Ports() step.Ports {
	return step.Ports{Survey: h, Guests: h, Mounts: h, Functions: h, Recovery: h, Stores: h, Guard: h, Watch: h, BootAids: h, Drives: h, Starters: h, Images: h, Pages: h, Virtuals: h, Person: h}
}

// Survey reads the host's facts.
func (h *Host) Survey(ctx context.Context) (survey facts.Survey, err error) {
	err = h.call("read the host", false, func() error {
		h.mu.Lock()
		defer h.mu.Unlock()
		survey = shown(Clone(h.survey)).Answered()
		survey.Sort()
		return cmp.Or(ctx.Err(), h.lost)
	})
	return survey, err
}

// deed does what a port asks for, under a label.
func (h *Host) deed(label string, do func() error) error {
	return h.call(label, true, func() error { return h.alone(do) })
}

func (h *Host) call(label string, changes bool, do func() error) error {
	if h.through == nil {
		return do()
	}
	return h.through(label, changes, do)
}

// alone changes the host while nobody else does, and keeps it.
func (h *Host) alone(do func() error) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.lost != nil {
		return h.lost
	}
	if err := do(); err != nil {
		return err
	}
	return h.changed()
}

// Clone copies a survey as far as a host ever changes it: its lists and their
// entries. What entries point at is never changed, only replaced.
func Clone(s facts.Survey) facts.Survey {
	s.Functions = slices.Clone(s.Functions)
	s.Blocks = slices.Clone(s.Blocks)
	s.Mounts = slices.Clone(s.Mounts)
	s.Paths = slices.Clone(s.Paths)
	s.Libvirt.Guests = slices.Clone(s.Libvirt.Guests)
	s.Shims = slices.Clone(s.Shims)
	s.Stores = slices.Clone(s.Stores)
	s.ROMs = slices.Clone(s.ROMs)
	s.Contents = slices.Clone(s.Contents)
	s.Asked = slices.Clone(s.Asked)
	s.Rooms = slices.Clone(s.Rooms)
	s.Confirmed = slices.Clone(s.Confirmed)
	s.Machine.HugePages = slices.Clone(s.Machine.HugePages)
	s.Topology.Nodes = slices.Clone(s.Topology.Nodes)
	for i := range s.Topology.Nodes {
		s.Topology.Nodes[i].HugePages = slices.Clone(s.Topology.Nodes[i].HugePages)
	}
	return s
}

// Unseen gives what functions that are away will show again, by address.
func (h *Host) Unseen() []Unseen {
	h.mu.Lock()
	defer h.mu.Unlock()
	var list []Unseen
	for _, at := range slices.SortedFunc(maps.Keys(h.unseen), facts.Address.Compare) {
		list = append(list, h.unseen[at])
	}
	return list
}

func (h *Host) function(at facts.Address) *facts.Function {
	i := slices.IndexFunc(h.survey.Functions, func(f facts.Function) bool { return f.Address == at })
	if i < 0 {
		return nil
	}
	return &h.survey.Functions[i]
}

func (h *Host) guest(name string) *facts.Guest {
	i := slices.IndexFunc(h.survey.Libvirt.Guests, func(g facts.Guest) bool { return g.Name == name })
	if i < 0 {
		return nil
	}
	return &h.survey.Libvirt.Guests[i]
}

// Second gives another host that stands as this one does and is kept nowhere.
func (h *Host) Second() *Host {
	h.mu.Lock()
	defer h.mu.Unlock()
	return &Host{world: &world{survey: Clone(h.survey), unseen: maps.Clone(h.unseen), remount: maps.Clone(h.remount), origins: maps.Clone(h.origins), ends: maps.Clone(h.ends), held: maps.Clone(h.held), places: maps.Clone(h.places), stores: maps.Clone(h.stores), marks: maps.Clone(h.marks), done: slices.Clone(h.done), boot: h.boot, reserved: h.reserved, virtuals: h.virtuals, began: h.began, stubborn: h.stubborn, pulled: slices.Clone(h.pulled), inUse: slices.Clone(h.inUse), judge: h.judge}}
}
