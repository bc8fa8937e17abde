package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gofrs/flock"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/hook"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/watch"
	"lendkeep/spec"
)

// bench is a host on which guest l2, whose definition was captured from
// libvirt 9.0.0 while it ran, borrows reel at 0000:01:00.0.
type bench struct {
	*invented.Builder
	t          *testing.T
	xml        string
	lock       string
	looks      func(n int) // called before look n, from 1
	looked     int
	open       bool // a process has a device open, seen once the shelf is unmounted
	held       bool // somebody holds the shelf, likewise
	deafKernel bool // it could not be asked
	blind      error
	stuck      error  // of unmounting
	deaf       bool   // unmounting claims to be done
	unfit      string // a device that cannot be mounted
	told       []string
	notes      []watch.Event
	waited     time.Duration
	passes     func() // called whenever time has passed
	mounted    []string
	grants     string   // the folder
	handed     []string // guests whose return was handed on
	soiled     bool     // the shelf was left dirty
	rung       func(guard.Rung)
	climbed    []string
	limits     limits
	// What hangs, where it is not nil.
	asked, disks, unmounts, mounts, into, names func()
	led                                         facts.Path // where one path leads
	named                                       bool       // names of functions were looked up
}

func newBench(t *testing.T) *bench {
	b := &bench{Builder: invented.NewBuilder(), t: t, lock: filepath.Join(t.TempDir(), "lock"), grants: filepath.Join(t.TempDir(), "run"), limits: usual}
	b.NVMe("RL-4410-0073", "start", "shelf")
	b.Mount("nvme0n1p2", "/srv/shelf")
	content, err := os.ReadFile("../../reconcile/definition/testdata/l2-live.xml")
	require.NoError(t, err)
	b.xml = string(content)
	b.Guest("l2", "")
	layout := invented.Layout([]spec.Controller{invented.Controller("reel", "RL-4410-0073", "shelf", "/srv/shelf")}, []spec.Guest{invented.Guest("l2", "reel")})
	b.Survey.Guard.Hook = guard.Script
	b.Survey.Guard.Rules = order.CompileRules(assess.NewCase(layout, facts.NewIndex(&b.Survey), nil)).Encode()
	b.Survey.Libvirt = facts.Virtualization{}
	return b
}

// MountAt mounts without a program.
func (b *bench) MountAt(device, path string) {
	b.Builder.Mount(strings.TrimPrefix(device, "/dev/"), path)
}

// programs stand in for mount(8) and umount(8).
type programs struct{ *bench }

func (p programs) Mount(_ context.Context, device, kind, path string, options []string) error {
	if p.mounts != nil {
		p.mounts()
	}
	if device == p.unfit {
		return errors.New("mount " + device + ": input/output error")
	}
	p.mounted = append(p.mounted, kind+" "+device+" "+path+" "+strings.Join(options, ","))
	p.MountAt(device, path)
	return nil
}

func (p programs) Unmount(_ context.Context, path string) error {
	if p.unmounts != nil {
		p.unmounts()
	}
	if p.stuck != nil || p.deaf {
		return p.stuck
	}
	at := slices.IndexFunc(p.Survey.Mounts, func(m facts.Mount) bool { return m.Path == path })
	for _, m := range p.Survey.Mounts {
		if strings.HasPrefix(m.Path, path+"/") {
			return errors.New("umount " + path + ": target is busy")
		}
	}
	p.Survey.Mounts = slices.Delete(slices.Clone(p.Survey.Mounts), at, at+1)
	return nil
}

func (b *bench) isMounted() bool { return facts.NewIndex(&b.Survey).MountAt("/srv/shelf") != nil }

// call runs the guard as libvirt does; the operation is "prepare begin -".
func (b *bench) call(guest, operation string) (code int, said string) {
	var stderr bytes.Buffer
	here := surroundings{
		rules: func() facts.InstalledGuard { return b.Survey.Guard },
		survey: func(_ context.Context, q facts.Question) (facts.Survey, error) {
			if b.looked++; b.looks != nil {
				b.looks(b.looked)
			}
			seen := b.Survey
			seen.Paths = append(slices.Clone(seen.Paths), q.Paths...)
			return seen, b.blind
		},
		names: func(s *facts.Survey) {
			b.named = true
			if b.names != nil {
				b.names()
			}
			for i := range s.Functions {
				s.Functions[i].DeviceName = "82574L, as named"
			}
		},
		mounts: programs{b}, lock: b.lock,
		ask: func(_ context.Context, s *facts.Survey, at ...facts.Address) {
			if b.asked != nil {
				b.asked()
			}
			if b.deafKernel || len(at) == 0 {
				return
			}
			require.Equal(b.t, []facts.Address{{Bus: 1}}, at)
			*s = s.Answered()
			if b.open && len(s.Mounts) == 1 {
				s.Blocks[2].Openers = []facts.Opener{{Process: "qemu-system-x86 (pid 7)", Guest: "other"}}
			}
			if b.held && len(s.Mounts) == 1 {
				s.Blocks[3].Exclusive = facts.HeldBySomeone
			}
		},
		askDisks: func(_ context.Context, s *facts.Survey, named ...string) {
			if b.disks != nil {
				b.disks()
			}
			if device := facts.NewIndex(s).Device; b.held && slices.ContainsFunc(named, func(name string) bool { return device(name) == &s.Blocks[3] }) {
				s.Blocks = slices.Clone(s.Blocks)
				s.Blocks[3].Exclusive = facts.HeldBySomeone
			}
		},
		paths: func(_ context.Context, named []string) []facts.Path {
			var list []facts.Path
			for _, n := range named {
				if n == b.led.Named {
					list = append(list, b.led)
				} else {
					list = append(list, facts.Path{Named: n, Resolved: n})
				}
			}
			return list
		},
		grants: hook.Grants{Folder: b.grants, Now: b.moment}, word: hook.Word{Folder: b.grants, Now: b.moment}, now: b.now, rungs: b, limits: b.limits,
		contents: func(s *facts.Survey, _ guard.Rules) {
			if b.into != nil {
				b.into()
			}
			shelf := facts.Volume{Number: 2, Condition: facts.Clean}
			if b.soiled {
				shelf.Condition, shelf.Why = facts.Dirty, "its log is not empty"
			}
			s.Contents = []facts.Content{{Of: "nvme0n1", Volumes: []facts.Volume{{Number: 1, Condition: facts.Clean}, shelf}}}
		},
		later: func(guest, definition string) error {
			assert.Equal(b.t, b.xml, definition)
			b.handed = append(b.handed, guest)
			return nil
		},
		wait: func(d time.Duration) {
			if b.waited += d; b.passes != nil {
				b.passes()
			}
		},
		log:  func(text string) { b.told = append(b.told, text) },
		note: func(e watch.Event) { b.notes = append(b.notes, e) },
	}
	code = run(append([]string{guest}, strings.Fields(operation)...), strings.NewReader(b.xml), &stderr, here)
	return code, stderr.String()
}

// began is that of all tests: what they leave in files bears the real time.
var began = time.Now().Truncate(time.Second).UTC()

// now is the time as it passes by waiting.
func (b *bench) now() time.Time { return began.Add(b.waited) }

func (b *bench) moment() (hook.Moment, error) {
	return hook.Moment{Boot: "this boot", Since: time.Hour + b.waited}, nil
}

func (b *bench) Recover(_ context.Context, _ facts.Address, r guard.Rung) error {
	b.climbed = append(b.climbed, fmt.Sprintf("%s after %s", r, b.waited))
	if b.rung != nil {
		b.rung(r)
	}
	return nil
}

// away is how the host stands while l2 has the controller.
func (b *bench) away() {
	f := b.Function(facts.Address{Bus: 1})
	f.Driver, f.NVMe = "vfio-pci", nil
	b.Survey.Blocks, b.Survey.Mounts = b.Survey.Blocks[:1], b.Survey.Mounts[:1]
}

// Every call that libvirt makes, in the sequence and with the driver that were
// captured: of a start, of a refused start, of a restart of libvirtd, of others.
func TestEveryOperation(t *testing.T) {
	b := newBench(t)
	code, said := b.call("l2", "prepare begin -")
	require.Zero(t, code, said)
	assert.Empty(t, said)
	assert.False(t, b.named, "nobody reads the names of functions")
	assert.False(t, b.isMounted())
	b.away()
	for _, operation := range []string{"start begin -", "started begin -", "reconnect begin -", "attach begin -", "migrate begin -", "restore begin -", "stopped end -", "stopped end shutdown"} {
		looked := b.looked
		code, said := b.call("l2", operation)
		assert.Zero(t, code, operation)
		assert.Empty(t, said)
		assert.Equal(t, looked, b.looked, "%s needs no look at the host", operation)
	}
	assert.Empty(t, b.mounted)
	code, _ = b.call("l2", "release end -")
	assert.Zero(t, code)
	assert.Empty(t, b.mounted, "another guest still has it")
	assert.Zero(t, b.waited)
}

func TestReturnIsAwaitedAndMounted(t *testing.T) {
	b := newBench(t)
	home := b.Survey
	home.Functions, home.Mounts = slices.Clone(home.Functions), home.Mounts[:1]
	b.away()
	b.Function(facts.Address{Bus: 1}).Driver = "" // libvirt has unbound it, nothing has bound yet
	b.looks = func(n int) {
		if n == 4 {
			b.Survey = home
		}
	}
	code, said := b.call("l2", "release end -")
	assert.Zero(t, code)
	assert.Empty(t, said)
	assert.Equal(t, []string{"xfs /dev/nvme0n1p2 /srv/shelf nosuid,nodev,noatime"}, b.mounted)
	assert.Equal(t, 3*pause, b.waited)
}

func TestRefusals(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*bench)
		says   string
	}{
		"a function by its name": {func(b *bench) { b.Card(facts.Address{Bus: 1}, "e1000e") }, "without its IOMMU group: 82574L, as named"},
		"the host uses it": {func(b *bench) { b.Builder.Mount("nvme0n1p1", "/mnt/x") },
			"lendkeep: guest l2 was not started: the host uses QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0: 0000:01:00.0 > nvme0n1 > nvme0n1p1 (start) > mount /mnt/x;"},
		"somebody works on the shelf": {func(b *bench) {
			b.stuck = errors.New("unmount /srv/shelf: target is busy; busy: sleep (pid 7) works in /srv/shelf")
		},
			"busy: sleep (pid 7) works in /srv/shelf"},
		"unmounting did not help":        {func(b *bench) { b.deaf = true }, "/srv/shelf is still mounted"},
		"something is mounted meanwhile": {func(b *bench) { b.looks = func(n int) { b.second(n) } }, "mount /mnt/late"},
		"another guest has a partition":  {func(b *bench) { b.open = true }, "nvme0n1p1 (start) > process qemu-system-x86 (pid 7), which has it open"},
		"somebody holds the shelf":       {func(b *bench) { b.held = true }, "nvme0n1p2 (shelf) > unknown somebody: the kernel says that it is in use"},
		"the kernel was not asked":       {func(b *bench) { b.deafKernel = true }, "the kernel was not asked"},
		"rules that are missing":         {func(b *bench) { b.Survey.Guard.Rules = "" }, "no rules of the guard are installed at /etc/lendkeep/rules.json"},
		"rules of another version":       {func(b *bench) { b.Survey.Guard.Rules = `{"format": 2}` }, "of version 2"},
		"damaged rules":                  {func(b *bench) { b.Survey.Guard.Rules = b.Survey.Guard.Rules[:100] }, "read rules"},
		"rules that others may write": {func(b *bench) {
			b.Survey.Guard.Rules, b.Survey.Guard.Gaps = "", []facts.Gap{{Fact: "guard.rules", Path: facts.GuardRules, Reason: "others than root may write it"}}
		}, "others than root may write it"},
		"a host that cannot be read": {func(b *bench) { b.blind = errors.New("no time left") }, "no time left"},
		"a definition that is torn":  {func(b *bench) { b.xml = b.xml[:2400] }, "could not be understood"},
		"a definition without end":   {func(b *bench) { b.xml = strings.Repeat("x", maxRead+1) }, "longer than any"},
		"a mistake of the guard's":   {func(b *bench) { b.looks = func(int) { panic("oh") } }, "the guard itself failed: oh"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			c.change(b)
			code, said := b.call("l2", "prepare begin -")
			assert.Equal(t, exitRefuse, code)
			assert.Contains(t, said, c.says)
			assert.Equal(t, 1, strings.Count(said, "\n"))
			for _, operation := range []string{"start begin -", "started begin -", "reconnect begin -", "stopped end -", "release end -"} {
				code, _ := b.call("l2", operation)
				assert.Zero(t, code, operation)
			}
		})
	}
}

// second mounts something once the shelf was unmounted.
func (b *bench) second(n int) {
	if n == 2 {
		b.Builder.Mount("nvme0n1p1", "/mnt/late")
	}
}

// A guest that borrows nothing starts whatever is wrong with the rules.
func TestOthersStartWithDamagedRules(t *testing.T) {
	for _, xml := range []string{"<domain type='kvm'><name>x</name><devices/></domain>", "<domain><a></b></domain>"} {
		b := newBench(t)
		b.Survey.Guard.Rules, b.xml = "{", xml
		code, said := b.call("x", "prepare begin -")
		assert.Zero(t, code, said)
	}
	b := newBench(t)
	b.xml = "torn <"
	code, said := b.call("x", "prepare begin -")
	assert.Equal(t, exitRefuse, code, "of a definition without an end nobody knows what it lends")
	assert.Contains(t, said, "could not be understood")
	for _, arguments := range []string{"", "prepare", "nonsense begin -"} {
		code, _ := b.call("x", arguments)
		assert.Zero(t, code)
	}
}

// A refused start ends like any other, and what was unmounted for it comes back.
func TestRefusedStartLeavesTheHostAsItWas(t *testing.T) {
	b := newBench(t)
	b.looks = b.second
	code, _ := b.call("l2", "prepare begin -")
	require.NotZero(t, code)
	require.False(t, b.isMounted())
	b.looks = nil
	b.call("l2", "stopped end -")
	b.call("l2", "release end -")
	assert.True(t, b.isMounted())
}

// ordering holds the lock as lendkeep does while it carries an order out.
func (b *bench) ordering() (end func()) {
	lock := flock.New(b.lock)
	locked, err := lock.TryLock()
	require.NoError(b.t, err)
	require.True(b.t, locked)
	return func() { require.NoError(b.t, lock.Unlock()) }
}

// says has the order under way tell the guard of itself.
func (b *bench) says(o guard.Ordered) {
	o.Guests, o.Mounts = append([]string{}, o.Guests...), append([]string{}, o.Mounts...)
	if o.Takes == nil {
		o.Takes = []facts.Identity{}
	}
	require.NoError(b.t, hook.Word{Folder: b.grants, Now: b.moment}.Tell(o))
}

// While an order is carried out mounts are its matter, and whoever borrows starts
// only by its word.
func TestOrderUnderWay(t *testing.T) {
	b := newBench(t)
	end := b.ordering()
	code, said := b.call("l2", "prepare begin -")
	assert.Equal(t, exitRefuse, code)
	assert.Contains(t, said, "it borrows 0000:01:00.0, and an order is being carried out that does not start it now", "a lock alone says nothing")
	b.says(guard.Ordered{Guests: []string{"other"}, Start: "other"})
	code, _ = b.call("l2", "prepare begin -")
	assert.Equal(t, exitRefuse, code, "it starts another guest")
	b.says(guard.Ordered{Guests: []string{"l2"}})
	code, _ = b.call("l2", "prepare begin -")
	assert.Equal(t, exitRefuse, code, "it will start this one, but does not now")

	b.says(guard.Ordered{Guests: []string{"l2"}, Start: "l2"})
	code, said = b.call("l2", "prepare begin -")
	assert.Equal(t, exitRefuse, code)
	assert.Contains(t, said, "an order is being carried out and /srv/shelf is still mounted")
	b.Survey.Mounts = b.Survey.Mounts[:1]
	code, said = b.call("l2", "prepare begin -")
	assert.Zero(t, code, said)
	b.call("l2", "release end -")
	assert.Empty(t, b.mounted)
	assert.Empty(t, b.handed, "what its own guest lets go the order sees to")
	end()
	b.call("l2", "release end -")
	assert.Len(t, b.mounted, 1)
	b.ordering()() // the guard lets go of the lock
}

// A guest that borrows nothing starts while an order is carried out that leaves
// alone what it lives on.
func TestOthersUnderAnOrder(t *testing.T) {
	b := newBench(t)
	defer b.ordering()()
	b.xml = "<domain type='kvm'><name>x</name><devices><disk type='file' device='disk'><source file='/srv/else/x.img'/><target dev='vda'/></disk></devices></domain>"
	code, said := b.call("x", "prepare begin -")
	assert.Zero(t, code, said)
	b.xml = strings.ReplaceAll(b.xml, "/srv/else", "/srv/shelf")
	code, said = b.call("x", "prepare begin -")
	assert.Equal(t, exitRefuse, code)
	assert.Contains(t, said, "an order is being carried out that may unmount it")
	b.says(guard.Ordered{Mounts: []string{"/srv/shelf"}})
	code, _ = b.call("x", "prepare begin -")
	assert.Equal(t, exitRefuse, code)
	b.says(guard.Ordered{Mounts: []string{"/srv/attic"}})
	code, said = b.call("x", "prepare begin -")
	assert.Zero(t, code, said)
}

// What the history is told: of a start that may go on, of its end, of a refusal.
func TestNotes(t *testing.T) {
	b := newBench(t)
	b.call("l2", "prepare begin -")
	at := began
	require.Equal(t, []watch.Event{{At: at, Kind: watch.Checked, Guest: "l2", Controllers: []string{"reel"}, Unmounted: []string{"/srv/shelf"}}}, b.notes)
	b.call("l2", "release end -")
	require.Equal(t, watch.Event{At: at, Kind: watch.Released, Guest: "l2", Mounted: []string{"/srv/shelf"}}, b.notes[1])

	b = newBench(t)
	b.stuck = errors.New("target is busy")
	b.call("l2", "prepare begin -")
	require.Equal(t, []watch.Event{{At: at, Kind: watch.Refused, Guest: "l2", Text: "target is busy"}}, b.notes)

	b = newBench(t)
	b.xml = "<domain type='kvm'><name>x</name><devices/></domain>"
	b.call("x", "prepare begin -")
	b.call("x", "release end -")
	assert.Empty(t, b.notes, "a guest that borrows nothing is nobody's matter")

	b = newBench(t)
	b.away()
	b.Function(facts.Address{Bus: 1}).Driver = ""
	b.call("l2", "release end -")
	require.Len(t, b.notes, 1)
	assert.Equal(t, releaseWithin, b.notes[0].Took)
	assert.Empty(t, b.notes[0].Wrong, "it is being taken back")
	b.call("l2", "take back")
	require.Len(t, b.notes, 2)
	require.Len(t, b.notes[1].Wrong, 1)
	assert.Contains(t, b.notes[1].Wrong[0], "it needs a power cycle")
}

// With on_failure = "alarm" a guest starts without the mount that it lives on,
// and the operator is told.
func TestStartDespiteIsTold(t *testing.T) {
	b := newBench(t)
	b.Survey.Guard.Rules = strings.Replace(b.Survey.Guard.Rules, `"hold"`, `"alarm"`, 1)
	b.Survey.Mounts = b.Survey.Mounts[:1]
	b.xml = "<domain type='kvm'><name>catalogue</name><devices><disk type='file' device='disk'><source file='/srv/shelf/c.qcow2'/><target dev='vda'/></disk></devices></domain>"
	code, said := b.call("catalogue", "prepare begin -")
	require.Zero(t, code, said)
	require.Len(t, b.notes, 1)
	assert.Equal(t, watch.Warned, b.notes[0].Kind)
	assert.Equal(t, "guest catalogue starts, but it has files on /srv/shelf of controller reel, and nothing is mounted there", b.notes[0].Text)
	assert.True(t, b.notes[0].Loud())
}

// A volume of a pool is looked at where the rules say that it is.
func TestVolumesAreLookedAt(t *testing.T) {
	b := newBench(t)
	rules, err := guard.Decode(b.Survey.Guard.Rules)
	require.NoError(t, err)
	rules.Pools = []guard.Pool{{Name: "parts", Target: "/srv/parts"}}
	b.Survey.Guard.Rules = rules.Encode()
	b.led = facts.Path{Named: "/srv/parts/x", Resolved: "/dev/nvme0n1p2"}
	b.xml = "<domain type='kvm'><name>x</name><devices><disk type='volume' device='disk'><source pool='parts' volume='x'/><target dev='vda'/></disk></devices></domain>"
	code, said := b.call("x", "prepare begin -")
	assert.Equal(t, exitRefuse, code)
	assert.Contains(t, said, "the host uses its disk vda, /srv/parts/x: nvme0n1p2 (shelf) > mount /srv/shelf")
	b.Survey.Mounts = b.Survey.Mounts[:1]
	code, said = b.call("x", "prepare begin -")
	assert.Zero(t, code, said)
	b.held = true // by whom nothing shows
	code, said = b.call("x", "prepare begin -")
	assert.Equal(t, exitRefuse, code)
	assert.Contains(t, said, "the host uses its disk vda, /srv/parts/x: nvme0n1p2 (shelf) > unknown somebody: the kernel says that it is in use")
	b.xml = strings.Replace(b.xml, "<target", "<readonly/><target", 1)
	code, said = b.call("x", "prepare begin -")
	assert.Zero(t, code, said)
}
