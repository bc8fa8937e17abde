package main

import (
	"fmt"
	"net/rpc"
	"os"
	"os/exec"
	"syscall"

	"lendkeep/providers/emulated/wire"
)

// terminal is the second console, which a person gets a shell on.
const terminal = "/dev/hvc0"

// serve brings the host up and answers calls until the outer side is gone.
func serve() error {
	// The kernel gives its first process no PATH.
	os.Setenv("PATH", "/usr/sbin:/usr/bin:/sbin:/bin")
	os.Setenv("HOME", "/root")
	os.Setenv("LANG", "C.UTF-8")
	if err := bringUp(); err != nil {
		return err
	}
	device, err := channel(wire.Port)
	if err != nil {
		return err
	}
	port, err := os.OpenFile(device, os.O_RDWR, 0)
	if err != nil {
		return fmt.Errorf("open channel: %w", err)
	}
	server := rpc.NewServer()
	host := &Host{commands: map[int]*running{}}
	if err := server.RegisterName(wire.Service, host); err != nil {
		return fmt.Errorf("register service: %w", err)
	}
	report("ready after %.1f s", uptime())
	go shell(host)
	server.ServeConn(port)
	return fmt.Errorf("the channel was closed")
}

// shell gives the second console a shell where there is one. Leaving it
// switches the host off.
func shell(host *Host) {
	console, err := os.OpenFile(terminal, os.O_RDWR, 0)
	if err != nil {
		return // the machine has none
	}
	command := exec.Command("bash", "--login")
	command.Stdin, command.Stdout, command.Stderr = console, console, console
	command.Env = append(os.Environ(), "TERM=vt100")
	command.Dir = "/root"
	command.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	if err := command.Run(); err != nil {
		report("shell: %v", err)
	}
	if err := host.PowerOff(wire.None(false), nil); err != nil {
		report("%v", err)
	}
}
