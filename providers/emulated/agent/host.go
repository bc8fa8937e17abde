package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"sync"
	"syscall"
	"time"

	"lendkeep/providers/emulated/wire"
)

// waitDelay is how long output may trail a command that has ended.
const waitDelay = 2 * time.Second

// grace is how long programs have to end when the host is switched off.
const grace = 300 * time.Millisecond

// Host is what the outer side can ask of the emulated host. Its exported
// methods have the shape that net/rpc wants.
type Host struct {
	mutex    sync.Mutex
	last     int
	commands map[int]*running
}

type running struct {
	command        *exec.Cmd
	stdout, stderr bytes.Buffer
}

// Ready answers once the host is up: nothing is served before.
func (h *Host) Ready(_ wire.None, upSeconds *float64) error {
	*upSeconds = uptime()
	return nil
}

// Begin starts a command and gives the number it is known by.
func (h *Host) Begin(wanted wire.Command, number *int) error {
	if len(wanted.Argv) == 0 {
		return errors.New("begin command: it has no words")
	}
	r := &running{command: exec.Command(wanted.Argv[0], wanted.Argv[1:]...)}
	r.command.Dir = "/"
	r.command.Env = append(os.Environ(), wanted.Env...)
	r.command.Stdin = bytes.NewReader(wanted.Stdin)
	r.command.Stdout, r.command.Stderr = &r.stdout, &r.stderr
	r.command.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	// A daemon left behind may hold the pipes open; the command has ended.
	r.command.WaitDelay = waitDelay
	if err := r.command.Start(); err != nil {
		return fmt.Errorf("begin command: %w", err)
	}
	h.mutex.Lock()
	defer h.mutex.Unlock()
	h.last++
	h.commands[h.last] = r
	*number = h.last
	return nil
}

// Await waits for a command's end and forgets it.
func (h *Host) Await(number int, result *wire.Result) error {
	r, err := h.find(number)
	if err != nil {
		return err
	}
	err = r.command.Wait()
	h.mutex.Lock()
	delete(h.commands, number)
	h.mutex.Unlock()
	var ended *exec.ExitError
	if err != nil && !errors.As(err, &ended) && !errors.Is(err, exec.ErrWaitDelay) {
		return fmt.Errorf("await command: %w", err)
	}
	status := r.command.ProcessState.Sys().(syscall.WaitStatus)
	*result = wire.Result{Exit: status.ExitStatus(), Stdout: r.stdout.Bytes(), Stderr: r.stderr.Bytes()}
	if status.Signaled() {
		result.Exit = 128 + int(status.Signal())
	}
	return nil
}

// Signal sends a signal to a command and all it has started.
func (h *Host) Signal(signal wire.Signal, _ *wire.None) error {
	r, err := h.find(signal.Command)
	if err != nil {
		return err
	}
	if err := syscall.Kill(-r.command.Process.Pid, syscall.Signal(signal.Number)); err != nil {
		return fmt.Errorf("signal command: %w", err)
	}
	return nil
}

func (h *Host) find(number int) (*running, error) {
	h.mutex.Lock()
	defer h.mutex.Unlock()
	r, found := h.commands[number]
	if !found {
		return nil, fmt.Errorf("find command: none has number %d", number)
	}
	return r, nil
}

// Read gives a part of a file. Files of /proc and /sys are fine too.
func (h *Host) Read(span wire.Span, content *[]byte) error {
	file, err := os.Open(span.Name)
	if err != nil {
		return err
	}
	defer file.Close()
	if _, err := file.Seek(span.Offset, io.SeekStart); err != nil {
		return err
	}
	*content, err = io.ReadAll(io.LimitReader(file, int64(span.Length)))
	return err
}

// Write puts a part of a file in place; it is on the drive when Write returns,
// so that a cut of power does not take away what a test laid down.
func (h *Host) Write(piece wire.Piece, _ *wire.None) error {
	flags := os.O_WRONLY | os.O_CREATE
	if piece.Offset == 0 {
		flags |= os.O_TRUNC
	}
	file, err := os.OpenFile(piece.Name, flags, os.FileMode(piece.Mode))
	if err != nil {
		return err
	}
	_, err = file.WriteAt(piece.Content, piece.Offset)
	return errors.Join(err, file.Chmod(os.FileMode(piece.Mode)), file.Sync(), file.Close())
}

// PowerOff ends the host in order: programs are asked to end, then ended, and
// the root is left clean.
func (h *Host) PowerOff(_ wire.None, _ *wire.None) error {
	for _, signal := range []syscall.Signal{syscall.SIGTERM, syscall.SIGKILL} {
		// To all but process 1 and the sender (kill(2)); none left is no error.
		if err := syscall.Kill(-1, signal); err != nil && err != syscall.ESRCH {
			return fmt.Errorf("power off: %w", err)
		}
		time.Sleep(grace)
	}
	syscall.Sync()
	if err := syscall.Mount("", "/", "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
		report("power off: make root read-only: %v", err)
	}
	return syscall.Reboot(syscall.LINUX_REBOOT_CMD_POWER_OFF)
}
