package emulated

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"lendkeep/providers/emulated/image"
	"lendkeep/providers/emulated/wire"
)

// bootTime is how long a host may take to answer, some ten times what it
// takes on two idle cores.
const bootTime = 4 * time.Minute

// Host is one emulated host. Its drives outlive a cut of power, not Close. It
// may be asked from several goroutines; one of them sees to its power.
type Host struct {
	made   image.Image
	agent  string       // file of the agent's program; empty: built from the sources
	folder string       // drives, console log, channel
	leave  func() error // gives the turn to the next
	// Socket of a console with a shell, see Attach; empty: there is none.
	terminal string
	up       atomic.Pointer[life] // nil while it is off
}

// Start makes the image if need be, boots a machine and returns once libvirt
// answers in it. Only one host runs on a computer at a time: Start waits for
// another to close, as two would only take each other's time. Progress goes to
// say.
func Start(ctx context.Context, m Machine, say io.Writer) (*Host, error) {
	h, err := enter(ctx, "", say)
	if err != nil {
		return nil, err
	}
	return h.begin(ctx, m)
}

// StartInstalled is Start where lendkeep is installed: agent is the file of the
// agent's program (AgentName), for which no sources are needed then. The host has a
// shell for Attach.
func StartInstalled(ctx context.Context, m Machine, agent string, say io.Writer) (*Host, error) {
	h, err := enter(ctx, agent, say)
	if err != nil {
		return nil, err
	}
	h.terminal = filepath.Join(h.folder, "terminal")
	return h.begin(ctx, m)
}

// begin boots the machine with an own drive that is as it was made.
func (h *Host) begin(ctx context.Context, m Machine) (*Host, error) {
	if err := h.lay(); err != nil {
		return nil, errors.Join(err, h.Close())
	}
	if err := h.PowerOn(ctx, m); err != nil {
		return nil, errors.Join(err, h.Close())
	}
	return h, nil
}

// AgentName is what the agent's program is called where it is installed.
const AgentName = "lendkeep-inside"

// socketBytes is the longest path of a unix socket (unix(7), sun_path).
const socketBytes = 107

// lay makes the folder with an own drive that starts as the image's disk.
func (h *Host) lay() error {
	if len(h.socket()) > socketBytes {
		return fmt.Errorf("lay out drives: %s is too long for a socket; set LENDKEEP_CACHE to a shorter path", h.socket())
	}
	// A program that was killed leaves its folder behind.
	if err := os.RemoveAll(h.folder); err != nil {
		return fmt.Errorf("lay out drives: %w", err)
	}
	if err := os.Mkdir(h.folder, 0o700); err != nil {
		return fmt.Errorf("lay out drives: %w", err)
	}
	output, err := exec.Command("qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw", "-b", h.made.Disk(), h.ownDisk()).CombinedOutput()
	if err != nil {
		return fmt.Errorf("lay out own drive: %w: %s", err, output)
	}
	return nil
}

func (h *Host) ownDisk() string { return filepath.Join(h.folder, "own.qcow2") }

// Kernel is the file, on this computer, of the kernel that runs in the host: no
// package's folder inside has it.
func (h *Host) Kernel() string { return h.made.Kernel() }

// On says whether the host has power.
func (h *Host) On() bool {
	l := h.up.Load()
	if l == nil {
		return false
	}
	select {
	case <-l.qemu.ended:
		return false
	default:
		return true
	}
}

// PowerOn boots a host that is off with the drives it had. The machine may
// differ from the one before: a card may have come, gone or moved, and its
// drive follows it.
func (h *Host) PowerOn(ctx context.Context, m Machine) error {
	if h.On() {
		return errors.New("power on: the host is on")
	}
	if err := h.PowerCut(); err != nil { // clears away a QEMU that ended by itself
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, bootTime)
	defer cancel()
	if err := h.boot(ctx, m); err != nil {
		return fmt.Errorf("power on: %w\nthe console's last lines:\n%s", err, h.LastLines())
	}
	return nil
}

// PowerCut ends the host as a pulled plug does: QEMU is killed where it is.
// What the host had not yet written to its drives is lost.
func (h *Host) PowerCut() error {
	l := h.up.Swap(nil)
	if l == nil {
		return nil
	}
	l.agent.Close()
	return l.qemu.kill()
}

// PowerOff ends the host in order.
func (h *Host) PowerOff(ctx context.Context) error {
	l := h.up.Load()
	if l == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, askTime)
	defer cancel()
	// The answer never comes: the host is gone before it could be sent.
	l.agent.Go(wire.Service+".PowerOff", wire.None(false), new(wire.None), nil)
	select {
	case <-l.qemu.ended:
		return h.PowerCut()
	case <-ctx.Done():
		return fmt.Errorf("power off: %w", errors.Join(ctx.Err(), h.PowerCut()))
	}
}

// Close ends the host and removes its drives.
func (h *Host) Close() error {
	return errors.Join(h.PowerCut(), os.RemoveAll(h.folder), h.leave())
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

// LastLines is the end of that.
func (h *Host) LastLines() string { return lastLines(h.Console(), 25) }

func lastLines(text string, count int) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-count):], "\n")
}
