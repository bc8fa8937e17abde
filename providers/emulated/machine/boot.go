package machine

import (
	"fmt"
	"strings"
)

// Boot is what a machine is started from and talked to through: paths on the
// machine that runs QEMU.
type Boot struct {
	KVM         bool
	Kernel      string
	Initrd      string
	CommandLine string // appended to what the IOMMU needs
	OwnDisk     string // qcow2 of the own drive
	Folder      string // where the backing files lie, each by its card's DiskName
	Console     string // file the first serial line is written to
	Channel     string // unix socket of the agent's channel
	ChannelName string // name of its port inside
	Monitor     string // unix socket on which QEMU takes orders (QMP)
	Terminal    string // unix socket of a second console, with a shell on it; empty: there is none
}

// KernelLine holds the words every emulated host needs. kvm_amd is kept out
// because a KVM guest under software emulation aborts the outer QEMU
// (tcg_handle_interrupt, seen with 7.2); kvm_intel is its twin.
//
// no_timer_check: the kernel's test of its timer fails on a busy computer under
// emulation (seen: "timer doesn't work through Interrupt-remapped IO-APIC").
const KernelLine = "intel_iommu=on iommu=pt console=ttyS0 panic=-1 no_timer_check modprobe.blacklist=kvm_amd,kvm_intel"

// Set writes one setting of an option. QEMU reads a doubled comma as one inside a
// value (qemu(1), "option lists").
func Set(name string, value any) string {
	return name + "=" + strings.ReplaceAll(fmt.Sprint(value), ",", ",,")
}

// Start gives the options for what every machine is started from, and with which
// accelerator; its size and its parts are not in them.
func (b Boot) Start() []string {
	list := []string{"-nodefaults", "-no-user-config", "-display", "none", "-no-reboot"}
	if b.KVM {
		// Interrupt remapping needs the I/O APIC out of the kernel (intel_iommu.c).
		list = append(list, "-machine", "q35,kernel-irqchip=split", "-accel", "kvm", "-cpu", "host")
	} else {
		// "max,-svm" would be the plain way to keep KVM out, but panics early.
		list = append(list, "-machine", "q35,kernel-irqchip=off", "-accel", "tcg,thread=multi,tb-size=1024", "-cpu", "max")
	}
	return append(list, "-kernel", b.Kernel, "-initrd", b.Initrd, "-append", strings.TrimSpace(KernelLine+" "+b.CommandLine),
		"-chardev", "file,id=console,"+Set("path", b.Console), "-serial", "chardev:console")
}

// IOMMU is the device that comes before every other: QEMU puts only later ones
// behind it.
const IOMMU = "intel-iommu,intremap=on,caching-mode=on,aw-bits=48"

// Talk gives the options for what a machine is talked to through; its channels
// hang on the virtio-serial bus of that name.
func (b Boot) Talk(bus string) []string {
	list := []string{"-chardev", "socket,id=agent,server=on,wait=off," + Set("path", b.Channel),
		"-device", "virtserialport," + Set("bus", bus) + ",chardev=agent," + Set("name", b.ChannelName)}
	if b.Terminal != "" {
		list = append(list, "-chardev", "socket,id=terminal,server=on,wait=off,"+Set("path", b.Terminal), "-device", "virtconsole,"+Set("bus", bus)+",chardev=terminal")
	}
	return append(list, "-chardev", "socket,id=monitor,server=on,wait=off,"+Set("path", b.Monitor), "-mon", "chardev=monitor,mode=control")
}

// Drive gives the option that declares the file of a drive. Flushes are left out: a
// cut of power ends QEMU, never the machine below, whose page cache then still holds
// every write that the drive had taken.
func Drive(id, format, file string) []string {
	return []string{"-drive", "if=none,cache=unsafe,discard=unmap," + Set("id", id) + "," + Set("format", format) + "," + Set("file", file)}
}
