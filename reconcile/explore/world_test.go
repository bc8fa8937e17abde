package explore

import (
	"context"
	"fmt"
	"hash/maphash"
	"slices"
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
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

// The workshop: reel with two filesystems mounted in each other, spare with one.
// Grading and second take turns with reel, third and fifth with spare, fourth has
// both;
// catalogue, clerk and attic live on what they leave. A stranger names reel.
var homes = map[string]string{"catalogue": "/srv/shelf/inner", "clerk": "/srv/shelf", "attic": "/srv/attic"}

const (
	lenders     = 5 // the first of them borrow
	livers      = 3 // the next live on what those leave
	controllers = 2
)

func workshop(t *testing.T) (facts.Survey, *spec.Layout, guard.Rules) {
	b := invented.NewBuilder()
	reel, spare := b.NVMe("RL-4410-0073", "start", "shelf", "inner"), b.NVMe("RL-4410-0088", "start", "attic")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Mount("nvme0n1p3", "/srv/shelf/inner")
	b.Mount("nvme1n1p2", "/srv/attic")
	b.Look("nvme0n1")
	b.Look("nvme1n1")
	b.ESP("nvme0n1p1", facts.Fallback)
	b.ESP("nvme1n1p1", facts.Fallback)
	b.Guest("grading", "", b.Identity("reel", reel))
	b.Guest("second", "", b.Identity("reel", reel))
	b.Guest("third", "", b.Identity("spare", spare))
	b.Guest("fourth", "", b.Identity("reel", reel), b.Identity("spare", spare))
	b.Guest("fifth", "", b.Identity("spare", spare))
	b.Guest("catalogue", "/srv/shelf/inner/catalogue.qcow2")
	b.Guest("clerk", "/srv/shelf/clerk.qcow2")
	b.Guest("attic", "/srv/attic/attic.qcow2")
	b.Guest("stranger", "", b.Identity("mine", reel))
	layout := invented.Layout(
		[]spec.Controller{invented.Controller("reel", "RL-4410-0073", "inner", "/srv/shelf/inner", "shelf", "/srv/shelf"), invented.Controller("spare", "RL-4410-0088", "attic", "/srv/attic")},
		[]spec.Guest{invented.Guest("grading", "reel"), invented.Guest("second", "reel"), invented.Guest("third", "spare"), invented.Guest("fourth", "reel", "spare"), invented.Guest("fifth", "spare"),
			invented.Guest("catalogue"), invented.Guest("clerk"), invented.Guest("attic")},
		invented.Shift("day", "grading", "attic"), invented.Shift("night", "catalogue", "clerk", "third"))
	rules := order.CompileRules(assess.NewCase(layout, facts.NewIndex(&b.Survey), nil))
	b.Survey.Guard.GuardFiles = facts.GuardFiles{Hook: guard.Script, Rules: rules.Encode(), Udev: guard.UdevRules(rules)}
	return b.Survey, layout, rules
}

// place is a host as it stands, shared by every situation in which it stands so.
// It is never changed: a deed is done to a second one.
type place struct {
	*memory.Host
	kept [len(names)]*facts.Definition
	runs [len(names)]bool
	// mounted are the places at which something is mounted.
	mounted map[string]bool
	uses    func() [controllers]string // what the host uses of each controller now
	wrong   atomic.Value               // a string: what must never be
}

// names are the guests.
var names = [...]string{"grading", "second", "third", "fourth", "fifth", "catalogue", "clerk", "attic", "stranger"}

// at is where each controller sits.
var at = [controllers]facts.Address{{Bus: 1}, {Bus: 2}}

func (p *place) blame(text string) { p.wrong.Store(text) }

func (p *place) index() *facts.Index {
	survey := surveyOf(p.Host)
	return facts.NewIndex(&survey)
}

func (p *place) used() (list [controllers]string) {
	ix := p.index()
	for c := range at {
		if uses := ix.LiveUses(at[c]); len(uses) > 0 {
			list[c] = uses[0].String()
		}
	}
	return list
}

func surveyOf(h *memory.Host) facts.Survey {
	survey, err := h.Survey(context.Background())
	if err != nil {
		panic(err) // its context has no end
	}
	return survey
}

// places finds the place of a host, or makes one.
type places struct {
	mu    sync.Mutex
	known map[[2]uint64]*place
}

func (p *places) of(h *memory.Host) *place {
	survey := surveyOf(h)
	sum := key(survey, h.Unseen())
	p.mu.Lock()
	defer p.mu.Unlock()
	if found := p.known[sum]; found != nil {
		return found
	}
	made := &place{Host: h}
	made.uses = sync.OnceValue(made.used)
	made.look(survey)
	p.known[sum] = made
	return made
}

// key stands for all of a host that changes here.
func key(s facts.Survey, away []memory.Unseen) (sum [2]uint64) {
	for i, seed := range seeds {
		var h maphash.Hash
		h.SetSeed(seed)
		word := func(text string) { h.WriteString(text); h.WriteByte(0) }
		conditions := func(list []facts.Content) {
			for _, c := range list {
				for _, v := range c.Volumes {
					word(string(v.Condition))
				}
			}
		}
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
		conditions(s.Contents)
		for _, a := range away {
			maphash.WriteComparable(&h, a.Kept)
			conditions(a.Holds)
		}
		word(s.Guard.Hook + s.Guard.Rules + s.Guard.Udev)
		sum[i] = h.Sum64()
	}
	return sum
}

var seeds = [2]maphash.Seed{maphash.MakeSeed(), maphash.MakeSeed()}

// look finds who runs, and what must never be.
func (p *place) look(s facts.Survey) {
	there := map[facts.Devno]bool{}
	for _, b := range s.Blocks {
		there[b.Devno] = true
	}
	p.mounted = map[string]bool{}
	for _, m := range s.Mounts {
		if p.mounted[m.Path] = true; !there[m.Devno] {
			p.blame(fmt.Sprintf("%s is mounted from a drive that was taken away", m.Path))
		}
	}
	drivers := map[facts.Address]string{}
	for _, f := range s.Functions {
		drivers[f.Address] = f.Driver
	}
	var holders [controllers]string
	for _, g := range s.Libvirt.Guests {
		n := slices.Index(names[:], g.Name)
		p.kept[n], p.runs[n] = g.Kept, g.Running
		if !g.Running {
			continue
		}
		for _, l := range g.Live.Hostdevs {
			c := controllerAt(l.Address)
			if holders[c] != "" {
				p.blame(fmt.Sprintf("%s and %s have one controller", g.Name, holders[c]))
			}
			if holders[c] = g.Name; drivers[l.Address] != "vfio-pci" {
				p.blame(fmt.Sprintf("%s has %s, and so has the host", g.Name, l.Address))
			}
		}
		if home := homes[g.Name]; home != "" && !p.mounted[home] {
			p.blame(fmt.Sprintf("%s runs without %s", g.Name, home))
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
