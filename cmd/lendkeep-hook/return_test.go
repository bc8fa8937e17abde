package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gofrs/flock"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/hook"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// lost is how the host stands when the controller has come to no driver. It
// gives what brings it home again.
func (b *bench) lost() (home func()) {
	f := b.Function(facts.Address{Bus: 1})
	before, blocks := *f, b.Survey.Blocks
	b.away()
	f.Driver = ""
	return func() { *f, b.Survey.Blocks = before, blocks }
}

// libvirt is not kept waiting for what does not come soon.
func TestLongReturnIsHandedOn(t *testing.T) {
	b := newBench(t)
	b.lost()
	code, _ := b.call("l2", "release end -")
	assert.Zero(t, code)
	assert.Equal(t, releaseWithin, b.waited)
	assert.Equal(t, []string{"l2"}, b.handed)
	assert.Empty(t, b.climbed, "no rung is done while libvirt waits")
}

// The ladder keeps to the layout's limit, not to one of its own, and tells each
// rung.
func TestLadderIsClimbed(t *testing.T) {
	for name, c := range map[string]struct {
		until   guard.Rung
		climbed []string
		told    string
	}{
		"back by a probe":  {guard.Probe, []string{"probe after 0s"}, "controller reel is back after"},
		"back by a reset":  {guard.Reset, []string{"probe after 0s", "reset after 30s"}, "controller reel is back after"},
		"back by a rescan": {guard.Rescan, []string{"probe after 0s", "reset after 30s", "rescan after 1m0s"}, "controller reel is back after"},
		"never":            {"", []string{"probe after 0s", "reset after 30s", "rescan after 1m0s"}, "it needs a power cycle: shut the host down"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			home := b.lost()
			b.rung = func(r guard.Rung) {
				if r == c.until {
					home()
				}
			}
			code, said := b.call("l2", "take back")
			assert.Zero(t, code)
			assert.Empty(t, said)
			assert.Equal(t, c.climbed, b.climbed)
			told := strings.Join(b.told, "\n")
			assert.Contains(t, told, c.told)
			for _, rung := range c.climbed {
				assert.Contains(t, told, strings.Fields(rung)[0]+" took ")
			}
			assert.Equal(t, c.until != "", b.isMounted())
			if c.until == "" {
				assert.Equal(t, 90*time.Second, b.waited)
				assert.Equal(t, 1, strings.Count(told, "power cycle"))
			}
		})
	}
}

// A rung is the matter of a controller or its drive: a partition that does not
// appear is only told of.
func TestPartitionThatDoesNotAppear(t *testing.T) {
	b := newBench(t)
	b.Survey.Mounts, b.Survey.Blocks = b.Survey.Mounts[:1], b.Survey.Blocks[:2]
	b.call("l2", "take back")
	assert.Empty(t, b.climbed)
	assert.Equal(t, 30*time.Second, b.waited)
	assert.Contains(t, strings.Join(b.told, "\n"), "partition shelf of controller reel, or the filesystem on it, has not appeared: it does not appear")
}

func TestDirtyFilesystemIsNotMounted(t *testing.T) {
	b := newBench(t)
	b.Survey.Mounts, b.soiled = b.Survey.Mounts[:1], true
	b.call("l2", "release end -")
	assert.Empty(t, b.mounted)
	assert.Empty(t, b.handed)
	assert.Contains(t, strings.Join(b.told, "\n"), "was not mounted: it was not left clean: its log is not empty")
}

// Between a start that was granted and the moment when libvirt takes the
// controller, the return after another guest must mount nothing.
func TestNothingIsMountedUnderAGrantedStart(t *testing.T) {
	b := newBench(t)
	code, said := b.call("l2", "prepare begin -")
	require.Zero(t, code, said)
	require.False(t, b.isMounted())
	b.call("other", "release end -") // a refused start of the same controller
	assert.False(t, b.isMounted())
	b.call("other", "take back")
	assert.False(t, b.isMounted())
	require.NotEmpty(t, b.granted())
	b.call("other", "started begin -")
	require.NotEmpty(t, b.granted(), "another guest's start ends nothing")
	code, said = b.call("other", "prepare begin -")
	assert.NotZero(t, code)
	assert.Contains(t, said, "guest l2, which is being started, was granted 0000:01:00.0")

	b.waited += hook.GrantFor + time.Minute // libvirtd ended before it took it
	b.call("other", "release end -")
	assert.True(t, b.isMounted())

	code, said = b.call("l2", "prepare begin -")
	require.Zero(t, code, said)
	b.call("l2", "release end -")
	assert.True(t, b.isMounted(), "its own end ends the grant")
	assert.Empty(t, b.granted())

	b.waited = 0
	code, said = b.call("l2", "prepare begin -")
	require.Zero(t, code, said)
	require.NotEmpty(t, b.granted())
	b.call("l2", "started begin -")
	assert.Empty(t, b.granted(), "libvirt has it now")
}

func (b *bench) granted() []guard.Grant {
	list, err := hook.Grants{Folder: b.grants, Now: b.moment}.List()
	require.NoError(b.t, err)
	return list
}

// A refused start grants nothing.
func TestRefusedStartGrantsNothing(t *testing.T) {
	b := newBench(t)
	b.Builder.Mount("nvme0n1p1", "/mnt/x")
	code, _ := b.call("l2", "prepare begin -")
	require.NotZero(t, code)
	assert.Empty(t, b.granted())
}

// A start waits for a rung that is being done, and is refused when that takes
// long.
func TestStartWaitsForItsTurn(t *testing.T) {
	b := newBench(t)
	require.NoError(t, os.MkdirAll(b.grants, 0o700))
	lock := flock.New(filepath.Join(b.grants, "turn"))
	free, err := lock.TryLock()
	require.NoError(t, err)
	require.True(t, free)
	code, said := b.call("l2", "prepare begin -")
	assert.Equal(t, exitRefuse, code)
	assert.Contains(t, said, "is being taken back; try again in a moment")
	assert.Equal(t, hook.LockWithin, b.waited)
	require.NoError(t, lock.Close())
	code, said = b.call("l2", "prepare begin -")
	assert.Zero(t, code, said)
}

// An order that begins meanwhile takes over what its own guests have let go.
func TestOrderEndsTheLadder(t *testing.T) {
	b := newBench(t)
	b.lost()
	defer b.ordering()()
	b.says(guard.Ordered{Guests: []string{"l2"}})
	b.call("l2", "take back")
	assert.Empty(t, b.climbed)
	assert.Zero(t, b.waited)
	require.Len(t, b.notes, 1)
	assert.Empty(t, b.notes[0].Wrong)
}

// What another order keeps from being looked after is looked after when that has
// ended, and then has its whole time to come back.
func TestReturnWaitsForAnOrder(t *testing.T) {
	b := newBench(t)
	home := b.lost()
	end := b.ordering()
	b.call("l2", "release end -")
	assert.Equal(t, []string{"l2"}, b.handed)
	assert.Zero(t, b.waited, "libvirt is not kept waiting")

	b.passes = func() {
		if b.waited == time.Hour {
			end()
		}
	}
	b.rung = func(r guard.Rung) {
		if r == guard.Reset {
			home()
		}
	}
	b.call("l2", "take back")
	assert.Equal(t, []string{"probe after 1h0m0s", "reset after 1h0m30s"}, b.climbed)
	assert.True(t, b.isMounted())

	b = newBench(t)
	defer b.ordering()()
	b.call("l2", "take back")
	assert.Equal(t, passesWithin, b.waited, "but not for ever")
	assert.Contains(t, strings.Join(b.told, "\n"), "what it borrowed is no longer waited for: an order is being carried out")
}

// A return that does not get its turn is handed on, and done when it does.
func TestReturnWaitsForItsTurn(t *testing.T) {
	b := newBench(t)
	b.Survey.Mounts = b.Survey.Mounts[:1]
	done, err := hook.Grants{Folder: b.grants, Now: b.moment}.Lock(time.Sleep)
	require.NoError(t, err)
	b.call("l2", "release end -")
	assert.Empty(t, b.mounted)
	assert.Equal(t, []string{"l2"}, b.handed)
	b.passes = func() {
		if b.waited > time.Minute && done != nil {
			done()
			done = nil
		}
	}
	b.call("l2", "take back")
	assert.Len(t, b.mounted, 1)
}

// A guest that lives on a mount is not started while another start may unmount
// that, nor does another unmount it before libvirt has opened its files.
func TestLivingOnAMountTakesATurn(t *testing.T) {
	b := newBench(t)
	lends := b.xml
	lives := "<domain type='kvm'><name>catalogue</name><devices><disk type='file' device='disk'><source file='/srv/shelf/c.qcow2'/><target dev='vda'/></disk></devices></domain>"
	done, err := hook.Grants{Folder: b.grants, Now: b.moment}.Lock(time.Sleep)
	require.NoError(t, err)
	b.xml = lives
	code, said := b.call("catalogue", "prepare begin -")
	assert.Equal(t, exitRefuse, code)
	assert.Contains(t, said, "try again in a moment")
	done()
	code, said = b.call("catalogue", "prepare begin -")
	require.Zero(t, code, said)
	assert.Equal(t, []guard.Grant{{Guest: "catalogue", Place: "/srv/shelf"}}, b.granted())

	b.xml = lends
	code, said = b.call("l2", "prepare begin -")
	assert.Equal(t, exitRefuse, code)
	assert.Contains(t, said, "guest catalogue, which is being started, lives on /srv/shelf; try again in a moment")
	assert.True(t, b.isMounted())
	b.call("catalogue", "started begin -")
	assert.Empty(t, b.granted(), "now the kernel keeps the mount")
	code, said = b.call("l2", "prepare begin -")
	assert.Zero(t, code, said)
}

// A link that a guest with the drive may have left leads nobody away from it.
func TestLinkOutOfAMount(t *testing.T) {
	b := newBench(t)
	b.xml = "<domain type='kvm'><name>catalogue</name><devices><disk type='file' device='disk'><source file='/srv/shelf/c.qcow2'/><target dev='vda'/></disk></devices></domain>"
	b.led = facts.Path{Named: "/srv/shelf/c.qcow2", Resolved: "/etc/shadow", Via: []string{"/srv/shelf/c.qcow2"}}
	code, said := b.call("catalogue", "prepare begin -")
	assert.Equal(t, exitRefuse, code)
	assert.Contains(t, said, "a link on /srv/shelf, which guests with controller reel can write, leads its /srv/shelf/c.qcow2 to /etc/shadow")
	b.led.Resolved = "/srv/shelf/images/c.qcow2"
	code, said = b.call("catalogue", "prepare begin -")
	assert.Zero(t, code, said)
}

// A mount that is in another leaves before it and comes after it, and not at all
// where that one cannot be mounted.
func TestMountsInEachOther(t *testing.T) {
	for name, unfit := range map[string]string{"both": "", "the outer one cannot be mounted": "/dev/nvme0n1p2", "the inner one cannot": "/dev/nvme0n1p1"} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			b.MountAt("nvme0n1p1", "/srv/shelf/inner")
			rules, err := guard.Decode(b.Survey.Guard.Rules)
			require.NoError(t, err)
			shelf := rules.Controllers[0].Mounts[0]
			rules.Controllers[0].Mounts = []guard.Mount{{Partition: "start", Path: "/srv/shelf/inner", Options: []string{}}, shelf}
			b.Survey.Guard.Rules = rules.Encode()
			code, said := b.call("l2", "prepare begin -")
			require.Zero(t, code, said)
			require.Len(t, b.Survey.Mounts, 1)

			b.unfit = unfit
			code, _ = b.call("l2", "release end -")
			assert.Zero(t, code)
			want := []string{"xfs /dev/nvme0n1p2 /srv/shelf nosuid,nodev,noatime", " /dev/nvme0n1p1 /srv/shelf/inner "}
			switch unfit {
			case "/dev/nvme0n1p2":
				want = nil
				assert.Contains(t, strings.Join(b.told, "\n"), "partition start of controller reel was not mounted: what it belongs into is not mounted")
			case "/dev/nvme0n1p1":
				want = want[:1]
			}
			assert.Equal(t, want, b.mounted)
		})
	}
}

// carded has l2 borrow a network card in the place of the drive.
func (b *bench) carded() *facts.Function {
	f := b.Function(facts.Address{Bus: 1})
	f.Driver, f.NVMe, f.Class, f.Interfaces = "e1000e", nil, 0x020000, []facts.Interface{{Name: "eth3"}}
	b.Survey.Blocks, b.Survey.Mounts = b.Survey.Blocks[:1], b.Survey.Mounts[:1]
	card := b.Identity("card", f.Address)
	b.Survey.Guard.Rules = guard.Rules{Format: guard.Format, NeverLend: []string{}, Guests: []guard.Guest{{Name: "l2", Borrows: []string{"card"}, LivesOn: []string{}}},
		Controllers: []guard.Controller{{Identity: card, Within: 30 * time.Second, OnFailure: "hold", Mounts: []guard.Mount{}, Keeps: []guard.Partition{}, Shown: guard.ShownBy(facts.NewIndex(&b.Survey), card)}}}.Encode()
	return f
}

// A card too is back only once it shows what it did: its driver by the ladder, what
// that makes by itself.
func TestCardIsTakenBack(t *testing.T) {
	b := newBench(t)
	f := b.carded()
	b.call("l2", "release end -")
	assert.Empty(t, b.handed, "it is as it was")
	f.Driver, f.Interfaces = "", nil
	b.rung = func(guard.Rung) { f.Driver = "e1000e" }
	b.call("l2", "release end -")
	assert.Equal(t, []string{"l2"}, b.handed)
	b.passes = func() {
		if b.waited > 10*time.Second {
			f.Interfaces = []facts.Interface{{Name: "eth4"}}
		}
	}
	b.call("l2", "take back")
	assert.Len(t, b.climbed, 1)
	told := strings.Join(b.told, "\n")
	assert.Contains(t, told, "0000:01:00.0 of controller card has no driver, and had e1000e before")
	assert.Contains(t, told, "controller card is back after")
	assert.Contains(t, told, "network interface eth3 of 0000:01:00.0 of controller card has another name now, of eth4")
	last := b.notes[len(b.notes)-1]
	assert.Equal(t, "probe", last.Rung)
	assert.Empty(t, last.Wrong)
	assert.Len(t, last.Left, 1)

	b = newBench(t)
	b.carded().Interfaces = nil
	b.call("l2", "take back")
	assert.Equal(t, 30*time.Second, b.waited)
	assert.Empty(t, b.climbed, "its driver has it")
	assert.Contains(t, strings.Join(b.notes[len(b.notes)-1].Wrong, "\n"), "network interface eth3 of 0000:01:00.0 of controller card has not appeared: it does not appear")
}

// What the host's own configuration gave a card is awaited within the limit, which
// begins once the card is there; then it is told, with how, and is nothing that failed.
func TestConfigurationIsAwaited(t *testing.T) {
	for name, comes := range map[string]bool{"it comes": true, "it does not": false} {
		b := newBench(t)
		f := b.carded()
		b.Survey.Guard.Rules = strings.Replace(b.Survey.Guard.Rules, `"name": "eth3"`, `"name": "eth3", "up": true, "addresses": ["192.0.2.7/24"]`, 1)
		f.Driver = ""
		b.rung = func(guard.Rung) {
			if len(b.climbed) == 2 {
				f.Driver = "e1000e"
			}
		}
		b.passes = func() {
			if comes && b.waited > 50*time.Second {
				f.Interfaces[0].Up, f.Interfaces[0].Addresses = true, []string{"192.0.2.7/24"}
			}
		}
		b.call("l2", "take back")
		told, last := strings.Join(b.told, "\n"), b.notes[len(b.notes)-1]
		assert.Empty(t, last.Wrong, name)
		assert.Contains(t, told, "controller card is back after 30", name)
		if comes {
			assert.Empty(t, last.Left)
			assert.Contains(t, told, "the host has set up controller card again")
			continue
		}
		assert.Equal(t, 60*time.Second, b.waited.Truncate(5*time.Second))
		assert.Len(t, last.Left, 1)
		assert.Contains(t, told, "is down, without 192.0.2.7/24 that it had; networkctl reconfigure eth3")
	}
}
