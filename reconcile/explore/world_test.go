package explore

import (
	"context"
	"fmt"
	"hash/maphash"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/spec"
)

// The workshop: reel with two filesystems mounted in each other, spare with one,
// proof with none. Grading and second take turns with reel, third borrows spare,
// fourth both, fifth proof;
// catalogue, clerk and attic live on what they leave. A stranger names reel.
var (
	names = []string{"grading", "second", "third", "fourth", "fifth", "catalogue", "clerk", "attic", "stranger"}
	homes = map[string]string{"catalogue": "/srv/shelf/inner", "clerk": "/srv/shelf", "attic": "/srv/attic"}
)

const (
	lenders     = 5 // the first of them borrow
	controllers = 3
)

func workshop(t *testing.T) (facts.Survey, *spec.Layout, guard.Rules) {
	b := invented.NewBuilder()
	reel, spare, proof := b.NVMe("RL-4410-0073", "start", "shelf", "inner"), b.NVMe("RL-4410-0088", "start", "attic"), b.NVMe("RL-4410-0101", "start")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Mount("nvme0n1p3", "/srv/shelf/inner")
	b.Mount("nvme1n1p2", "/srv/attic")
	b.Look("nvme0n1")
	b.Look("nvme1n1")
	b.Look("nvme2n1")
	b.ESP("nvme0n1p1", facts.Fallback)
	b.ESP("nvme2n1p1", facts.Fallback)
	b.ESP("nvme1n1p1", facts.Fallback)
	b.Guest("grading", "", b.Record("reel", reel))
	b.Guest("second", "", b.Record("reel", reel))
	b.Guest("third", "", b.Record("spare", spare))
	b.Guest("fourth", "", b.Record("reel", reel), b.Record("spare", spare))
	b.Guest("fifth", "", b.Record("proof", proof))
	b.Guest("catalogue", "/srv/shelf/inner/catalogue.qcow2")
	b.Guest("clerk", "/srv/shelf/clerk.qcow2")
	b.Guest("attic", "/srv/attic/attic.qcow2")
	b.Guest("stranger", "", b.Record("mine", reel))
	layout := invented.Layout(
		[]spec.Controller{invented.Controller("reel", "RL-4410-0073", "inner", "/srv/shelf/inner", "shelf", "/srv/shelf"), invented.Controller("spare", "RL-4410-0088", "attic", "/srv/attic"), invented.Controller("proof", "RL-4410-0101")},
		[]spec.Guest{invented.Guest("grading", "reel"), invented.Guest("second", "reel"), invented.Guest("third", "spare"), invented.Guest("fourth", "reel", "spare"), invented.Guest("fifth", "proof"),
			invented.Guest("catalogue"), invented.Guest("clerk"), invented.Guest("attic")},
		invented.Shift("day", "grading", "attic"), invented.Shift("night", "catalogue", "clerk", "third"))
	rules := guard.Compile(assess.NewCase(layout, facts.NewIndex(&b.Survey), nil))
	b.Survey.Guard.GuardFiles = facts.GuardFiles{Hook: guard.Script, Rules: rules.Encode(), Udev: guard.Static(rules)}
	return b.Survey, layout, rules
}

// place is a host as it stands, shared by every situation in which it stands so.
// It is never changed: a deed is done to a second one.
type place struct {
	*memory.Host
	ix    *facts.Index
	lends [controllers]int8 // the guest, from 1, that each controller is with
	wrong atomic.Value      // a string: what must never be
}

func (p *place) blame(text string) { p.wrong.Store(text) }

// at is where each controller sits.
var at = [controllers]facts.Address{{Bus: 1}, {Bus: 2}, {Bus: 3}}

// places finds the place of a host, or makes one.
type places struct {
	mu    sync.Mutex
	known map[[2]uint64]*place
}

func (p *places) of(h *memory.Host) *place {
	survey, err := h.Survey(context.Background())
	if err != nil {
		panic(err) // its context has no end
	}
	sum := key(survey)
	p.mu.Lock()
	defer p.mu.Unlock()
	if found := p.known[sum]; found != nil {
		return found
	}
	made := &place{Host: h, ix: facts.NewIndex(&survey)}
	made.look()
	p.known[sum] = made
	return made
}

// key stands for all of a host that changes here.
func key(s facts.Survey) (sum [2]uint64) {
	for i, seed := range seeds {
		var h maphash.Hash
		h.SetSeed(seed)
		word := func(text string) { h.WriteString(text); h.WriteByte(0) }
		for _, f := range s.Functions {
			word(f.Driver)
			word(f.DriverOverride)
		}
		for _, m := range s.Mounts {
			maphash.WriteComparable(&h, m.Devno)
			word(m.Path)
			word(strings.Join(m.Options, ","))
		}
		for _, g := range s.Libvirt.Guests {
			maphash.WriteComparable(&h, g.Running)
			word(g.Kept.XML)
		}
		for _, c := range s.Contents {
			for _, v := range c.Volumes {
				word(string(v.Condition))
			}
		}
		word(s.Guard.Hook + s.Guard.Rules + s.Guard.Udev)
		sum[i] = h.Sum64()
	}
	return sum
}

var seeds = [2]maphash.Seed{maphash.MakeSeed(), maphash.MakeSeed()}

// look finds who has what, and what must never be.
func (p *place) look() {
	there := map[facts.Devno]bool{}
	for _, b := range p.ix.Survey.Blocks {
		there[b.Devno] = true
	}
	for _, m := range p.ix.Survey.Mounts {
		if !there[m.Devno] {
			p.blame(fmt.Sprintf("%s is mounted from a drive that was taken away", m.Path))
		}
	}
	for n, name := range names {
		g := p.ix.Guest(name)
		if g.Live == nil {
			continue
		}
		for _, l := range g.Live.Lent {
			c := controllerAt(l.Address)
			if p.lends[c] != 0 {
				p.blame(fmt.Sprintf("%s and %s have one controller", name, names[p.lends[c]-1]))
			}
			p.lends[c] = int8(n + 1)
			if f := p.ix.Function(l.Address); !f.OnVFIO() {
				p.blame(fmt.Sprintf("%s has %s, and the host has too", name, l.Address))
			}
		}
		if home := homes[name]; home != "" && p.ix.MountAt(home) == nil {
			p.blame(fmt.Sprintf("%s runs without %s", name, home))
		}
	}
}

func controllerAt(address facts.Address) int { return int(address.Bus) - 1 }

// TestWorkshopIsSound: what the exploration begins with is what the layout wants.
func TestWorkshopIsSound(t *testing.T) {
	survey, layout, _ := workshop(t)
	findings := assess.Assess(assess.NewCase(layout, facts.NewIndex(&survey), layout.Shift("day")))
	require.False(t, assess.Stops(findings), "%+v", findings)
	p := (&places{known: map[[2]uint64]*place{}}).of(memory.New(survey, nil))
	require.Nil(t, p.wrong.Load())
}
