package sysfs

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// newLadder is a machine with the files that the rungs write to.
func newLadder(t *testing.T, at facts.Address, driver string, ownBus bool) *machine {
	m := newMachine(t, at, driver)
	device := filepath.Join(m.root, "sys/devices/pci0000:00", at.String())
	files := []string{device + "/reset", device + "/remove", m.root + "/sys/bus/pci/rescan", m.root + "/sys/bus/pci/drivers/nvme/bind"}
	if ownBus {
		bus := m.root + "/sys/class/pci_bus/0000:01"
		require.NoError(t, os.MkdirAll(bus, 0o777))
		files = append(files, bus+"/rescan")
	}
	for _, file := range files {
		require.NoError(t, os.WriteFile(file, nil, 0o666))
	}
	return m
}

func TestRungs(t *testing.T) {
	at := address(t, "0000:01:00.0")
	own, probe := "devices/pci0000:00/0000:01:00.0/", "bus/pci/drivers_probe: 0000:01:00.0"
	for name, c := range map[string]struct {
		driver string
		ownBus bool
		do     func(Tree, context.Context, facts.Address) error
		want   []string
	}{
		"probe":                    {"", true, Tree.probe, []string{probe}},
		"probe, but it has one":    {"nvme", true, Tree.probe, nil},
		"rebind":                   {"nvme", true, Tree.bindAnew, []string{"bus/pci/drivers/nvme/unbind: 0000:01:00.0", "bus/pci/drivers/nvme/bind: 0000:01:00.0"}},
		"reset":                    {"nvme", true, Tree.reset, []string{own + "reset: 1"}},
		"reset, without a driver":  {"", true, Tree.reset, []string{own + "reset: 1", probe}},
		"rescan":                   {"nvme", true, Tree.rescan, []string{own + "remove: 1", "class/pci_bus/0000:01/rescan: 1"}},
		"rescan, its bus unknown":  {"", false, Tree.rescan, []string{own + "remove: 1", "bus/pci/rescan: 1"}},
		"rescan, itself not there": {"gone", true, Tree.rescan, []string{"class/pci_bus/0000:01/rescan: 1"}},
	} {
		t.Run(name, func(t *testing.T) {
			m := newLadder(t, at, strings.TrimPrefix(c.driver, "gone"), c.ownBus)
			if c.driver == "gone" {
				require.NoError(t, os.Remove(filepath.Join(m.root, devicesDir, at.String())))
			}
			require.NoError(t, c.do(m.Tree, t.Context(), at))
			assert.Equal(t, c.want, m.wrote)
		})
	}
}

func TestRungsThatFail(t *testing.T) {
	at := address(t, "0000:01:00.0")
	for name, c := range map[string]struct {
		driver string
		fails  string // the file that the kernel refuses to take
		do     func(Tree, context.Context, facts.Address) error
		wrote  int
	}{
		"probe":               {"", "drivers_probe", Tree.probe, 1},
		"rebind, not let go":  {"nvme", "unbind", Tree.bindAnew, 1},
		"rebind, not taken":   {"nvme", "bind", Tree.bindAnew, 2},
		"reset":               {"", "reset", Tree.reset, 1},
		"rescan, not removed": {"nvme", "remove", Tree.rescan, 1},
		"rescan":              {"nvme", "rescan", Tree.rescan, 2},
	} {
		t.Run(name, func(t *testing.T) {
			m := newLadder(t, at, c.driver, true)
			m.react = func(file, _ string) error {
				if filepath.Base(file) == c.fails {
					return unix.ENOTTY
				}
				return nil
			}
			require.ErrorIs(t, c.do(m.Tree, t.Context(), at), unix.ENOTTY)
			assert.Len(t, m.wrote, c.wrote, "nothing is done after what failed")
		})
	}
	m := newLadder(t, at, "", true)
	assert.ErrorContains(t, m.bindAnew(t.Context(), at), "no driver holds it")
	assert.Empty(t, m.wrote)
	archive, err := Open(hostFile("larch.txtar"))
	require.NoError(t, err)
	for _, do := range []func(Tree, context.Context, facts.Address) error{Tree.probe, Tree.bindAnew, Tree.reset, Tree.rescan} {
		assert.ErrorIs(t, do(archive, t.Context(), at), errReadOnly)
	}
}

// Whatever takes a function's drives from the host is done while they are held,
// and not where somebody else holds them.
func TestDrivesAreHeldUntilTheyGo(t *testing.T) {
	at := address(t, "0000:01:00.0")
	for name, c := range map[string]struct {
		do   func(Tree, context.Context, facts.Address) error
		held string // the write that the drives are held for
	}{
		"rebind":  {Tree.bindAnew, "bus/pci/drivers/nvme/unbind: 0000:01:00.0"},
		"reset":   {Tree.reset, "devices/pci0000:00/0000:01:00.0/reset: 1"},
		"rescan":  {Tree.rescan, "devices/pci0000:00/0000:01:00.0/remove: 1"},
		"to VFIO": {Tree.ToVFIO, "bus/pci/drivers/nvme/unbind: 0000:01:00.0"},
	} {
		t.Run(name, func(t *testing.T) {
			m := newLadder(t, at, "nvme", true)
			m.hold = func(_ context.Context, of facts.Address) (func(), error) {
				assert.Equal(t, at, of)
				m.wrote = append(m.wrote, "held")
				return func() { m.wrote = append(m.wrote, "let go") }, nil
			}
			require.NoError(t, c.do(m.Tree, t.Context(), at))
			before, after, found := strings.Cut(strings.Join(m.wrote, "\n"), c.held+"\nlet go")
			assert.True(t, found && strings.HasPrefix(before, "held\n"), "%s%s", before, after)

			m = newLadder(t, at, "nvme", true)
			m.hold = func(context.Context, facts.Address) (func(), error) { return nil, unix.EBUSY }
			require.ErrorIs(t, c.do(m.Tree, t.Context(), at), unix.EBUSY)
			assert.Empty(t, m.wrote, "no override is left behind either")
		})
	}
}
