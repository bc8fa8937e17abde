package emuhost

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/rpc"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"github.com/gofrs/flock"

	"lendkeep/testdata/emuhost/image"
	"lendkeep/testdata/emuhost/machine"
	"lendkeep/testdata/emuhost/wire"
)

// bootTime is how long a host may take to answer, some ten times what it
// takes on two idle cores.
const bootTime = 4 * time.Minute

// Host is one emulated host. Its drives outlive a cut of power, not Close.
type Host struct {
	machine machine.Machine
	made    image.Image
	folder  string // drives, console log, channel
	lock    *flock.Flock
	qemu    *process
	agent   *rpc.Client
}

// Start makes the image if need be, boots a machine and returns once libvirt
// answers in it. Only one host runs on a computer at a time: Start waits for
// another to close, as two would only take each other's time. Progress goes to
// say.
func Start(ctx context.Context, m machine.Machine, say io.Writer) (*Host, error) {
	made, lock, err := enter(ctx, say)
	if err != nil {
		return nil, err
	}
	h := &Host{made: made, lock: lock}
	if err := h.lay(); err != nil {
		return nil, errors.Join(err, h.Close())
	}
	if err := h.PowerOn(ctx, m); err != nil {
		return nil, errors.Join(err, h.Close())
	}
	return h, nil
}

// lay makes the folder with an own drive that starts as the image's disk.
func (h *Host) lay() error {
	// Not a test's own folder: a unix socket's path has 107 bytes (unix(7)).
	folder, err := os.MkdirTemp("", "emuhost-")
	if err != nil {
		return fmt.Errorf("lay out drives: %w", err)
	}
	h.folder = folder
	output, err := exec.Command("qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw", "-b", h.made.Disk(), h.ownDisk()).CombinedOutput()
	if err != nil {
		return fmt.Errorf("lay out own drive: %w: %s", err, output)
	}
	return nil
}

func (h *Host) ownDisk() string { return filepath.Join(h.folder, "own.qcow2") }

// On says whether the host has power.
func (h *Host) On() bool {
	if h.qemu == nil {
		return false
	}
	select {
	case <-h.qemu.ended:
		return false
	default:
		return true
	}
}

// PowerOn boots a host that is off with the drives it had. The machine may
// differ from the one before: a card may have come, gone or moved, and its
// drive follows it.
func (h *Host) PowerOn(ctx context.Context, m machine.Machine) error {
	if h.On() {
		return errors.New("power on: the host is on")
	}
	if err := h.PowerCut(); err != nil { // clears away a QEMU that ended by itself
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, bootTime)
	defer cancel()
	if err := h.boot(ctx, m, nil); err != nil {
		return fmt.Errorf("power on: %w\nthe console's last lines:\n%s", errors.Join(err, h.PowerCut()), lastLines(h.Console(), 25))
	}
	return nil
}

func (h *Host) boot(ctx context.Context, m machine.Machine, terminal *os.File) error {
	h.machine = m
	for _, card := range m.Drives() {
		if err := blank(filepath.Join(h.folder, card.DiskName()+".img"), card.Bytes()); err != nil {
			return err
		}
	}
	initrd := filepath.Join(h.folder, "initrd")
	if err := writeInitrd(ctx, h.made, initrd); err != nil {
		return err
	}
	kvm, _ := acceleration()
	arguments, err := machine.Arguments(m, machine.Boot{
		KVM: kvm, Kernel: h.made.Kernel(), Initrd: initrd, CommandLine: "emuhost.own=" + m.Own.Serial,
		OwnDisk: h.ownDisk(), Folder: h.folder, Console: h.consoleFile(),
		Channel: h.socket(), ChannelName: wire.Port, Terminal: terminal != nil,
	})
	if err != nil {
		return err
	}
	if h.qemu, err = startProcess("qemu-system-x86_64", arguments, terminal); err != nil {
		return err
	}
	h.agent, err = h.call(ctx)
	return err
}

// blank makes a drive's file where there is none; an old one keeps its bytes.
func blank(name string, size int64) error {
	file, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return fmt.Errorf("lay out drive: %w", err)
	}
	return errors.Join(file.Truncate(size), file.Close())
}

// writeInitrd builds the agent and packs it. Go's own cache makes a second
// build a matter of moments.
func writeInitrd(ctx context.Context, made image.Image, name string) error {
	agent := name + ".agent"
	build := exec.CommandContext(ctx, "go", "build", "-trimpath", "-o", agent, "lendkeep/testdata/emuhost/agent")
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=amd64")
	if output, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("build agent: %w: %s", err, output)
	}
	file, err := os.Create(name)
	if err != nil {
		return fmt.Errorf("write initrd: %w", err)
	}
	return errors.Join(made.WriteInitrd(file, agent), file.Close())
}

// PowerCut ends the host as a pulled plug does: QEMU is killed where it is.
// What the host had not yet written to its drives is lost.
func (h *Host) PowerCut() error {
	if h.qemu == nil {
		return nil
	}
	if h.agent != nil {
		h.agent.Close()
	}
	err := h.qemu.kill()
	h.qemu, h.agent = nil, nil
	return err
}

// PowerOff ends the host in order.
func (h *Host) PowerOff(ctx context.Context) error {
	if h.qemu == nil {
		return nil
	}
	// The answer never comes: the host is gone before it could be sent.
	h.agent.Go(wire.Service+".PowerOff", wire.None(false), new(wire.None), nil)
	select {
	case <-h.qemu.ended:
	case <-ctx.Done():
		return fmt.Errorf("power off: %w", errors.Join(ctx.Err(), h.PowerCut()))
	}
	return h.PowerCut()
}

// Close ends the host and removes its drives.
func (h *Host) Close() error {
	return errors.Join(h.PowerCut(), os.RemoveAll(h.folder), h.lock.Unlock())
}

func (h *Host) consoleFile() string { return filepath.Join(h.folder, "console.log") }

func (h *Host) socket() string { return filepath.Join(h.folder, "agent") }

// Console is all that the kernel and the agent have said since the last boot.
func (h *Host) Console() string {
	content, err := os.ReadFile(h.consoleFile())
	if err != nil {
		return err.Error()
	}
	return string(content)
}

func lastLines(text string, count int) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-count):], "\n")
}
