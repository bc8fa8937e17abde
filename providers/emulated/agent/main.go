// Command agent is the first program of an emulated host and its only service
// besides udev and libvirt: it mounts the root, brings the host up and then
// runs what it is told to over a virtio-serial port. It runs as three: the
// first process of the initrd becomes the collector of orphans, and its child
// serves. Start at main.
package main

import (
	"fmt"
	"os"
	"os/exec"
	"syscall"
)

// served is the argument that tells the serving child from the first process.
const served = "serve"

func main() {
	if len(os.Args) > 1 && os.Args[1] == served {
		if err := serve(); err != nil {
			report("%v", err)
			os.Exit(1)
		}
		return
	}
	if err := first(); err != nil {
		report("%v", err)
	}
	// There is nothing to fall back to. The outer QEMU ends with the host.
	syscall.Sync()
	syscall.Reboot(syscall.LINUX_REBOOT_CMD_POWER_OFF)
}

// report writes a line to the kernel's console, where the outer side finds it.
func report(format string, arguments ...any) {
	fmt.Printf("agent: "+format+"\n", arguments...)
}

// first is the life of process 1. It returns only when the child has ended.
func first() error {
	if err := enterRoot(); err != nil {
		return err
	}
	child := exec.Command("/proc/self/exe", served)
	child.Stdout, child.Stderr = os.Stdout, os.Stderr
	if err := child.Start(); err != nil {
		return fmt.Errorf("start service: %w", err)
	}
	// Everything whose parent has died becomes a child of process 1, and stays
	// a zombie until it is waited for. That is all this process is for.
	for {
		ended, err := syscall.Wait4(-1, nil, 0, nil)
		if err == syscall.EINTR {
			continue
		}
		if err != nil {
			return fmt.Errorf("collect children: %w", err)
		}
		if ended == child.Process.Pid {
			return fmt.Errorf("service ended")
		}
	}
}
