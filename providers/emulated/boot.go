package emulated

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"

	"lendkeep/providers/emulated/machine"
	"lendkeep/providers/emulated/wire"
)

// Machine is a machine that can be booted: by seats and cards (machine.Machine), or
// like a surveyed host (parts.Twin).
type Machine interface {
	RunsFrom() string      // serial of the drive that it runs from
	Files() []machine.File // of its other drives
	Arguments(machine.Boot) ([]string, error)
}

// boot starts QEMU and waits for the agent.
func (h *Host) boot(ctx context.Context, m Machine) error {
	for _, file := range m.Files() {
		if err := blank(filepath.Join(h.folder, file.Name), int64(file.Bytes)); err != nil {
			return err
		}
	}
	initrd := filepath.Join(h.folder, "initrd")
	if err := h.writeInitrd(ctx, initrd); err != nil {
		return err
	}
	kvm, _ := acceleration()
	arguments, err := m.Arguments(machine.Boot{
		KVM: kvm, Kernel: h.made.Kernel(), Initrd: initrd, CommandLine: "emuhost.own=" + m.RunsFrom(),
		OwnDisk: h.ownDisk(), Folder: h.folder, Console: h.consoleFile(),
		Channel: h.socket(), ChannelName: wire.Port, Monitor: h.monitor(), Terminal: h.terminal,
	})
	if err != nil {
		return err
	}
	qemu, err := startEmulator("qemu-system-x86_64", arguments)
	if err != nil {
		return err
	}
	l, err := connect(ctx, qemu, h.socket())
	if err != nil {
		return errors.Join(err, qemu.kill())
	}
	h.up.Store(l)
	return nil
}

// blank makes a drive's file where there is none; an old one keeps its bytes.
func blank(name string, size int64) error {
	file, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return fmt.Errorf("lay out drive: %w", err)
	}
	return errors.Join(file.Truncate(size), file.Close())
}

// writeInitrd packs the agent, which is built where none is installed. Go's own cache
// makes a second build a matter of moments.
func (h *Host) writeInitrd(ctx context.Context, name string) error {
	agent := h.agent
	if agent == "" {
		agent = name + ".agent"
		build := exec.CommandContext(ctx, "go", "build", "-trimpath", "-o", agent, "lendkeep/providers/emulated/agent")
		build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=amd64")
		if output, err := build.CombinedOutput(); err != nil {
			return fmt.Errorf("build agent: %w: %s", err, output)
		}
	}
	file, err := os.Create(name)
	if err != nil {
		return fmt.Errorf("write initrd: %w", err)
	}
	return errors.Join(h.made.WriteInitrd(file, agent), file.Close())
}
