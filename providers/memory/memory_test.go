package memory_test

import (
	"context"
	"errors"
	"os"
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// bench is the situation of the captured machine: an NVMe controller whose
// IOMMU group also has a network card, and one of its own.
type bench struct {
	*memory.Host
	shared, own, card facts.Address
}

func newBench(t *testing.T, change func(*invented.Builder, bench)) bench {
	builder := invented.NewBuilder()
	b := bench{shared: builder.NVMe("RL-4410-0119", "shelf"), own: builder.NVMe("RL-4410-0073", "start", "shelf")}
	b.card = builder.Card(b.shared, "e1000e")
	if change != nil {
		change(builder, b)
	}
	b.Host = memory.New(builder.Survey, nil)
	return b
}

func (b bench) survey(t *testing.T) *facts.Index {
	survey, err := b.Survey(context.Background())
	require.NoError(t, err)
	return facts.NewIndex(&survey)
}

func records(builder *invented.Builder, list ...facts.Address) []facts.Identity {
	var out []facts.Identity
	for _, at := range list {
		out = append(out, builder.Identity("c", at))
	}
	return out
}

// What libvirt 9.0.0, QEMU 7.2 and Linux 6.1 answered to the same starts on the
// captured machine; the texts are theirs.
func TestStartsAnswerAsMeasured(t *testing.T) {
	ctx := context.Background()
	for name, c := range map[string]struct {
		change func(*invented.Builder, bench)
		says   string // empty: it starts
	}{
		"group with a foreign driver": {func(b *invented.Builder, x bench) {
			b.Guest("g1", "", records(b, x.shared)...)
		}, "is not viable\nPlease ensure all devices within the iommu_group are bound to their vfio bus driver."},
		"the other member without a driver": {func(b *invented.Builder, x bench) {
			b.Function(x.card).Driver = ""
			b.Guest("g1", "", records(b, x.shared)...)
		}, ""},
		"the other member on vfio-pci": {func(b *invented.Builder, x bench) {
			b.Function(x.card).Driver = "vfio-pci"
			b.Guest("g1", "", records(b, x.shared)...)
		}, ""},
		"both lent to one guest": {func(b *invented.Builder, x bench) {
			b.Guest("g1", "", records(b, x.shared, x.card)...)
		}, ""},
		"held by another guest": {func(b *invented.Builder, x bench) {
			b.Guest("g2", "", records(b, x.own)...)
			b.Guest("g1", "", records(b, x.own)...)
			b.Function(x.own).Driver = "vfio-pci"
			b.Run("g2")
		}, "PCI device 0000:02:00.0 is in use by driver QEMU, domain g2"},
		"a member of its group held by another guest": {func(b *invented.Builder, x bench) {
			b.Guest("g2", "", records(b, x.card)...)
			b.Guest("g1", "", records(b, x.shared)...)
			b.Function(x.card).Driver = "vfio-pci"
			b.Run("g2")
		}, "is in use by driver QEMU, domain g2"},
		"a device that does not exist": {func(b *invented.Builder, x bench) {
			r := b.Identity("c", x.own)
			r.Address.Bus = 9
			b.Guest("g1", "", r)
		}, "Device 0000:09:00.0 not found: could not access /sys/bus/pci/devices/0000:09:00.0/config: No such file or directory"},
		"a port": {func(b *invented.Builder, x bench) {
			b.Function(x.own).HeaderType = 1
			b.Guest("g1", "", records(b, x.own)...)
		}, "Non-endpoint PCI devices cannot be assigned to guests"},
		"not managed and still on its driver": {func(b *invented.Builder, x bench) {
			b.Guest("g1", "", records(b, x.own)...)
			b.Survey.Libvirt.Guests[0].Kept.Hostdevs[0].Managed = false
		}, "Unmanaged PCI device 0000:02:00.0 must be manually detached from the host"},
		"no IOMMU": {func(b *invented.Builder, x bench) {
			b.Survey.Machine.IOMMUs = 0
			b.Guest("g1", "", records(b, x.own)...)
		}, "host doesn't support passthrough of host PCI devices"},
		"a mounted filesystem is no obstacle": {func(b *invented.Builder, x bench) {
			b.Mount("nvme1n1p2", "/srv/shelf")
			b.Guest("g1", "", records(b, x.own)...)
		}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, c.change)
			before, err := b.Survey(ctx)
			require.NoError(t, err)
			err = b.Start(ctx, "g1")
			if c.says == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, c.says)
			after, err := b.Survey(ctx)
			require.NoError(t, err)
			assert.Empty(t, facts.Differences(before, after), "a refused start changes nothing")
		})
	}
}

// Measured: the drive vanishes, the mount stays behind, everything is back
// after the guest has ended; a function that was on VFIO before stays there.
func TestLendAndReturn(t *testing.T) {
	ctx := context.Background()
	b := newBench(t, func(b *invented.Builder, x bench) {
		b.Mount("nvme1n1p2", "/srv/shelf")
		b.Function(x.shared).Driver, b.Function(x.card).Driver = "", "vfio-pci"
		b.Guest("g1", "", records(b, x.own)...)
		b.Guest("g2", "", records(b, x.card)...)
	})
	before, err := b.Survey(ctx)
	require.NoError(t, err)
	require.NoError(t, b.Start(ctx, "g1"))
	ix := b.survey(t)
	assert.True(t, ix.Function(b.own).OnVFIO())
	assert.Nil(t, ix.Function(b.own).NVMe)
	assert.Empty(t, ix.Drives(b.own))
	assert.NotNil(t, ix.MountAt("/srv/shelf"))
	require.NoError(t, b.Stop(ctx, "g1", time.Second))
	after, err := b.Survey(ctx)
	require.NoError(t, err)
	assert.Empty(t, facts.Differences(before, after))

	require.NoError(t, b.Start(ctx, "g2"))
	require.NoError(t, b.Stop(ctx, "g2", time.Second))
	assert.True(t, b.survey(t).Function(b.card).OnVFIO())
}

func TestBusyMountStays(t *testing.T) {
	ctx := context.Background()
	b := newBench(t, func(b *invented.Builder, x bench) {
		b.Mount("nvme1n1p2", "/srv/shelf")
		b.Guest("g1", "/srv/shelf/g1.qcow2")
		b.Run("g1")
	})
	require.ErrorContains(t, b.Unmount(ctx, "/srv/shelf"), "target is busy: guest g1")
	require.NoError(t, b.Stop(ctx, "g1", time.Second))
	require.NoError(t, b.Unmount(ctx, "/srv/shelf"))
	require.ErrorContains(t, b.Start(ctx, "g1"), "No such file or directory")
	require.NoError(t, b.Mount(ctx, "/dev/nvme1n1p2", "xfs", "/srv/shelf", []string{"rw", "noatime"}))
	require.NoError(t, b.Start(ctx, "g1"))
}

// A stand-in host is kept in its folder after every change.
func TestStandInLivesOn(t *testing.T) {
	ctx := context.Background()
	folder := t.TempDir()
	builder := invented.NewBuilder()
	at := builder.NVMe("RL-4410-0073", "shelf")
	builder.Guest("g1", "", builder.Identity("reel", at))
	file, err := os.Create(folder + "/" + memory.FirstFile)
	require.NoError(t, err)
	require.NoError(t, builder.Survey.Encode(file))
	require.NoError(t, file.Close())

	open := func() *memory.Host {
		h, err := memory.Load(folder, nil)
		require.NoError(t, err)
		return h
	}
	require.NoError(t, open().Start(ctx, "g1"))
	survey, err := open().Survey(ctx)
	require.NoError(t, err)
	where, _, holder := facts.NewIndex(&survey).Where(builder.Identity("reel", at))
	assert.Equal(t, facts.Lent, where)
	assert.Equal(t, "g1", holder.Name)
	require.NoError(t, open().Stop(ctx, "g1", time.Second))
	survey, err = open().Survey(ctx)
	require.NoError(t, err)
	assert.Empty(t, facts.Differences(builder.Survey.Answered(), survey))
}

func TestDamagedStandInIsAnError(t *testing.T) {
	folder := t.TempDir()
	_, err := memory.Load(folder, nil)
	require.ErrorContains(t, err, "needs a survey")
	require.NoError(t, os.WriteFile(folder+"/"+memory.File, []byte(`{"survey": {"format": 9}, "away": [], "remount": [], "origins": [], "ends": []}`), 0o600))
	_, err = memory.Load(folder, nil)
	require.ErrorContains(t, err, "version 9")
	require.NoError(t, os.WriteFile(folder+"/"+memory.File, []byte(`{"survey": {"format": 9}, "away": [], "remount": [], "origins": []}`), 0o600))
	_, err = memory.Load(folder, nil)
	require.ErrorContains(t, err, "ends is missing", "what was kept of a drive would be lost")
}

func TestPowerCut(t *testing.T) {
	ctx := context.Background()
	b := newBench(t, func(b *invented.Builder, x bench) {
		b.Mount("nvme1n1p2", "/srv/shelf")
		b.Guest("g1", "", records(b, x.own)...)
	})
	before, err := b.Survey(ctx)
	require.NoError(t, err)
	require.NoError(t, b.Unmount(ctx, "/srv/shelf"))
	require.NoError(t, b.Start(ctx, "g1"))
	b.PowerCut()
	after, err := b.Survey(ctx)
	require.NoError(t, err)
	assert.Empty(t, facts.Differences(before, after))
}

// What the kernel refuses to unmount, and what it does not: measured with Linux
// 6.18, where umount of an overlay's layer answers 0.
func TestUnmountAnswersAsMeasured(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*invented.Builder)
		says   string // empty: it is unmounted
	}{
		"nothing on it": {func(b *invented.Builder) {}, ""},
		"a mount in it": {func(b *invented.Builder) { b.Mount("nvme1n1p1", "/srv/shelf/inner") }, "mount /srv/shelf/inner"},
		"a guest's backing image": {func(b *invented.Builder) {
			b.Guest("g", "/srv/images/g.qcow2")
			b.Survey.Paths[0].Backing = "/srv/shelf/base.qcow2"
			b.Run("g")
		}, "guest g"},
		"a guest that is off": {func(b *invented.Builder) { b.Guest("g", "/srv/shelf/g.qcow2") }, ""},
		"a loop device's file, deleted": {func(b *invented.Builder) {
			b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "loop0", Devno: facts.Devno{Major: 7}, BackingFile: "/srv/shelf/x (deleted)"})
		}, "loop0"},
		"a swap file": {func(b *invented.Builder) { b.Survey.Swaps = []facts.Swap{{Path: "/srv/shelf/swap", File: true}} }, "swap"},
		"an overlay's layer": {func(b *invented.Builder) {
			b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: facts.Devno{Minor: 9}, Kind: "overlay", Path: "/merged", SuperOptions: []string{"lowerdir=/srv/shelf/a"}})
		}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, func(b *invented.Builder, _ bench) {
				b.Mount("nvme1n1p2", "/srv/shelf")
				c.change(b)
			})
			err := b.Unmount(t.Context(), "/srv/shelf")
			if c.says == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, "target is busy")
			require.ErrorContains(t, err, c.says)
			assert.NotNil(t, b.survey(t).MountAt("/srv/shelf"))
		})
	}
}

// Every call of every port goes through what the host is seen through, so that
// none escapes a fault; and the host has every port.
func TestEveryCallGoesThrough(t *testing.T) {
	met, stopped := "", errors.New("stopped")
	host := memory.New(invented.NewBuilder().Survey, nil).Through(func(label string, _ bool, _ func() error) error {
		met = label
		return stopped
	})
	ports := reflect.ValueOf(host.Ports())
	for i := range ports.NumField() {
		name, port := ports.Type().Field(i).Name, ports.Field(i)
		require.False(t, port.IsNil(), name)
		for m := range port.NumMethod() {
			met = ""
			var in []reflect.Value
			for n := range port.Method(m).Type().NumIn() {
				of := port.Method(m).Type().In(n)
				switch of {
				case reflect.TypeFor[context.Context]():
					in = append(in, reflect.ValueOf(t.Context()))
				case reflect.TypeFor[facts.Aid]():
					in = append(in, reflect.ValueOf(facts.ROM{}))
				default:
					in = append(in, reflect.Zero(of))
				}
			}
			out := port.Method(m).Call(in)
			assert.Equal(t, stopped, out[len(out)-1].Interface(), "%s.%s", name, port.Type().Method(m).Name)
			assert.NotEmpty(t, met)
		}
	}
}
