package sysfs

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// machine is a root directory that a test plays the kernel of.
type machine struct {
	Tree
	root   string
	wrote  []string // "file: text", in sequence
	loaded []string
	react  func(file, text string) error
}

// newMachine lays out one function, with a driver or none, and the files that
// take writes.
func newMachine(t *testing.T, at facts.Address, driver string) *machine {
	m := &machine{root: t.TempDir()}
	dir := filepath.Join(m.root, "sys/devices/pci0000:00", at.String())
	for _, d := range []string{dir, filepath.Join(m.root, devicesDir), filepath.Join(m.root, "sys/bus/pci/drivers/nvme"), filepath.Join(m.root, "sys/bus/pci/drivers/vfio-pci")} {
		require.NoError(t, os.MkdirAll(d, 0o777))
	}
	event := "PCI_CLASS=10802\n"
	if driver != "" {
		require.NoError(t, os.Symlink("../../../bus/pci/drivers/"+driver, filepath.Join(dir, "driver")))
		event += "DRIVER=" + driver + "\n"
	}
	require.NoError(t, os.Symlink("../../../devices/pci0000:00/"+at.String(), filepath.Join(m.root, devicesDir, at.String())))
	for file, content := range map[string]string{filepath.Join(dir, "uevent"): event, filepath.Join(dir, "driver_override"): "", filepath.Join(m.root, "sys/bus/pci/drivers_probe"): "",
		filepath.Join(m.root, "sys/bus/pci/drivers/nvme/unbind"): "", filepath.Join(m.root, "sys/bus/pci/drivers/vfio-pci/unbind"): ""} {
		require.NoError(t, os.WriteFile(file, []byte(content), 0o666))
	}
	tree, err := Open(m.root)
	require.NoError(t, err)
	m.Tree = tree
	m.write = func(file, text string) error {
		real, err := filepath.EvalSymlinks(file)
		require.NoError(t, err)
		m.wrote = append(m.wrote, strings.TrimPrefix(real, m.root+"/sys/")+": "+text)
		if m.react != nil {
			return m.react(file, text)
		}
		return writeOnce(file, text)
	}
	m.load = func(_ context.Context, module string) error {
		m.loaded = append(m.loaded, module)
		return nil
	}
	return m
}

// TestBindSequence holds the writes to libvirt's own
// (libvirt 9.0 src/util/virpci.c, virPCIDeviceBindWithDriverOverride and
// virPCIDeviceUnbindFromStubWithOverride).
func TestBindSequence(t *testing.T) {
	at := address(t, "0000:01:00.0")
	override := "devices/pci0000:00/0000:01:00.0/driver_override: "
	probe := "bus/pci/drivers_probe: 0000:01:00.0"
	for name, test := range map[string]struct {
		driver string
		to     func(Tree, context.Context, facts.Address) error
		want   []string
	}{
		"host to VFIO":   {"nvme", Tree.ToVFIO, []string{override + "vfio-pci\n", "bus/pci/drivers/nvme/unbind: 0000:01:00.0", probe}},
		"nobody to VFIO": {"", Tree.ToVFIO, []string{override + "vfio-pci\n", probe}},
		"VFIO to VFIO":   {"vfio-pci", Tree.ToVFIO, nil},
		"VFIO to host":   {"vfio-pci", toHost(""), []string{override + "\n", "bus/pci/drivers/vfio-pci/unbind: 0000:01:00.0", probe}},
		"nobody to host": {"", toHost(""), []string{override + "\n", probe}},
		"host to host":   {"nvme", toHost(""), []string{override + "\n"}},
		"VFIO to kept":   {"vfio-pci", toHost("pci-stub"), []string{override + "pci-stub\n", "bus/pci/drivers/vfio-pci/unbind: 0000:01:00.0", probe}},
		"nobody to kept": {"", toHost("pci-stub"), []string{override + "pci-stub\n", probe}},
		"kept to kept":   {"pci-stub", toHost("pci-stub"), []string{override + "pci-stub\n"}},
	} {
		t.Run(name, func(t *testing.T) {
			m := newMachine(t, at, test.driver)
			require.NoError(t, test.to(m.Tree, t.Context(), at))
			assert.Equal(t, test.want, m.wrote)
			assert.Empty(t, m.loaded, "the driver is there")
		})
	}
}

func toHost(override string) func(Tree, context.Context, facts.Address) error {
	return func(t Tree, ctx context.Context, at facts.Address) error { return t.ToHost(ctx, at, override) }
}

func TestModuleIsLoadedFirst(t *testing.T) {
	at := address(t, "0000:01:00.0")
	m := newMachine(t, at, "nvme")
	require.NoError(t, os.RemoveAll(filepath.Join(m.root, "sys/bus/pci/drivers/vfio-pci")))
	require.NoError(t, m.ToVFIO(t.Context(), at))
	assert.Equal(t, []string{"vfio-pci"}, m.loaded)
	assert.Len(t, m.wrote, 3)

	m = newMachine(t, at, "nvme")
	require.NoError(t, os.RemoveAll(filepath.Join(m.root, "sys/bus/pci/drivers/vfio-pci")))
	m.load = func(context.Context, string) error { return errors.New("no such module") }
	assert.ErrorContains(t, m.ToVFIO(t.Context(), at), "no such module")
	assert.Empty(t, m.wrote, "nothing is touched without the module")
}

func TestBindFailures(t *testing.T) {
	at := address(t, "0000:01:00.0")
	m := newMachine(t, at, "nvme")
	m.react = func(file, _ string) error {
		if strings.HasSuffix(file, "unbind") {
			return unix.EPERM
		}
		return nil
	}
	err := m.ToVFIO(t.Context(), at)
	assert.ErrorIs(t, err, unix.EPERM)
	assert.NotErrorIs(t, err, ErrUnknownOutcome)
	assert.Len(t, m.wrote, 2, "no probe after a failed unbind")

	require.ErrorContains(t, m.ToHost(t.Context(), address(t, "0000:02:00.0"), ""), "find the function")

	m = newMachine(t, at, "nvme")
	require.NoError(t, os.Remove(filepath.Join(m.root, "sys/devices/pci0000:00/0000:01:00.0/driver")))
	assert.ErrorContains(t, m.ToHost(t.Context(), at, ""), "uevent names the driver nvme")
	assert.Empty(t, m.wrote, "nothing is touched while the driver is not known")

	over, cancel := context.WithCancel(t.Context())
	cancel()
	m = newMachine(t, at, "nvme")
	err = m.ToVFIO(over, at)
	assert.ErrorIs(t, err, context.Canceled)
	assert.NotErrorIs(t, err, ErrUnknownOutcome, "nothing was begun")
	assert.Empty(t, m.wrote)

	archive, err := Open(hostFile("larch.txtar"))
	require.NoError(t, err)
	assert.ErrorIs(t, archive.ToVFIO(t.Context(), at), errReadOnly)
	assert.ErrorIs(t, archive.ToHost(t.Context(), at, ""), errReadOnly)
}

// TestUnbindThatDoesNotEnd stands for a device in use: the real write blocks in
// the kernel, here in a pipe that nobody reads.
func TestUnbindThatDoesNotEnd(t *testing.T) {
	at := address(t, "0000:01:00.0")
	m := newMachine(t, at, "nvme")
	pipe := filepath.Join(m.root, "sys/bus/pci/drivers/nvme/unbind")
	require.NoError(t, os.Remove(pipe))
	require.NoError(t, unix.Mkfifo(pipe, 0o666))
	ctx, cancel := context.WithCancel(t.Context())
	begun := make(chan struct{})
	m.write = func(file, text string) error {
		if strings.HasSuffix(file, "unbind") {
			close(begun)
		}
		return writeOnce(file, text)
	}
	go func() {
		<-begun
		cancel()
	}()
	err := m.ToVFIO(ctx, at)
	assert.ErrorIs(t, err, ErrUnknownOutcome)
	assert.ErrorIs(t, err, context.Canceled)
	reader, err := os.Open(pipe) // lets the write go
	require.NoError(t, err)
	require.NoError(t, reader.Close())
}

// A drive that hangs may never let itself be held: nothing is done then, and it is
// let go should it come to that.
func TestHoldThatDoesNotEnd(t *testing.T) {
	at := address(t, "0000:01:00.0")
	m := newMachine(t, at, "nvme")
	answers, released := make(chan struct{}), make(chan struct{})
	ctx, cancel := context.WithCancel(t.Context())
	m.hold = func(context.Context, facts.Address) (func(), error) {
		cancel()
		<-answers
		return func() { close(released) }, nil
	}
	err := m.ToVFIO(ctx, at)
	assert.ErrorContains(t, err, "hold the drives of 0000:01:00.0")
	assert.ErrorIs(t, err, context.Canceled)
	assert.Empty(t, m.wrote, "nothing was touched")
	close(answers)
	<-released
}

func TestWriteOnceNeedsTheFile(t *testing.T) {
	assert.ErrorIs(t, writeOnce(filepath.Join(t.TempDir(), "unbind"), "x"), os.ErrNotExist)
}
