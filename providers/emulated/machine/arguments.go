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
	Terminal    bool   // a second console on QEMU's own standard input and output
}

// KernelLine holds the words every emulated host needs. kvm_amd is kept out
// because a KVM guest under software emulation aborts the outer QEMU
// (tcg_handle_interrupt, seen with 7.2); kvm_intel is its twin.
//
// no_timer_check: the kernel's test of its timer fails on a busy computer under
// emulation (seen: "timer doesn't work through Interrupt-remapped IO-APIC").
const KernelLine = "intel_iommu=on iommu=pt console=ttyS0 panic=-1 no_timer_check modprobe.blacklist=kvm_amd,kvm_intel"

// Arguments is the command line of QEMU, without the program, for a machine and
// what it boots from. It is a pure function: the same values give the same words.
func Arguments(m Machine, b Boot) ([]string, error) {
	if err := m.Check(); err != nil {
		return nil, fmt.Errorf("describe machine: %w", err)
	}
	w := &words{folder: b.Folder, slot: firstSlot - 1}
	w.base(m, b)
	w.iommu()
	w.channel(b)
	w.further(m)
	w.add("-chardev", "socket,id=monitor,server=on,wait=off,"+set("path", b.Monitor), "-mon", "chardev=monitor,mode=control")
	for _, seat := range m.Seats {
		w.seat(seat)
	}
	w.own(m.Own, b.OwnDisk)
	return w.list, nil
}

// words collects arguments and counts what must be unique over the machine.
type words struct {
	list    []string
	folder  string
	root    string // bus that root ports are put on
	slot    int    // the last slot that was given away, on whichever root bus
	chassis int    // of root and downstream ports: QEMU wants each (chassis, slot) pair once
	cards   int
}

func (w *words) add(list ...string) { w.list = append(w.list, list...) }

// device adds one -device; the settings keep their order.
func (w *words) device(kind string, settings ...string) {
	w.add("-device", strings.Join(append([]string{kind}, settings...), ","))
}

func set(name string, value any) string {
	// QEMU reads a doubled comma as one inside a value (qemu(1), "option lists").
	return name + "=" + strings.ReplaceAll(fmt.Sprint(value), ",", ",,")
}

func (w *words) base(m Machine, b Boot) {
	w.add("-nodefaults", "-no-user-config", "-display", "none", "-no-reboot")
	if b.KVM {
		// Interrupt remapping needs the I/O APIC out of the kernel (intel_iommu.c).
		w.add("-machine", "q35,kernel-irqchip=split", "-accel", "kvm", "-cpu", "host")
	} else {
		// "max,-svm" would be the plain way to keep KVM out, but panics early.
		w.add("-machine", "q35,kernel-irqchip=off", "-accel", "tcg,thread=multi,tb-size=1024", "-cpu", "max")
	}
	w.size(m)
	w.add("-kernel", b.Kernel, "-initrd", b.Initrd, "-append", strings.TrimSpace(KernelLine+" "+b.CommandLine))
	w.add("-chardev", "file,id=console,"+set("path", b.Console), "-serial", "chardev:console")
}

// iommu comes before every device: QEMU puts only later ones behind it.
func (w *words) iommu() {
	w.device("intel-iommu", "intremap=on", "caching-mode=on", "aw-bits=48")
}

// own stands behind all seats, so that the first card of the first seat is
// 0000:01:00.0 in every machine.
func (w *words) own(card Card, disk string) {
	w.root = firstRoot
	bus := w.rootPort(ownSlot, 0)
	w.drive("own", "qcow2", disk)
	w.nvme(card, "own", bus, "addr=0x0")
}

// drive declares what is behind a card. Flushes are left out: a cut of power
// ends QEMU, never the machine below, whose page cache then still holds every
// write that the drive had taken.
func (w *words) drive(id, format, file string) {
	w.add("-drive", "if=none,cache=unsafe,discard=unmap,"+set("id", id+"disk")+","+set("format", format)+","+set("file", file))
}

func (w *words) channel(b Boot) {
	w.device("virtio-serial-pci", "id=channels", set("addr", address(channelSlot, 0)))
	w.add("-chardev", "socket,id=agent,server=on,wait=off,"+set("path", b.Channel))
	w.device("virtserialport", "bus=channels.0", "chardev=agent", set("name", b.ChannelName))
	if b.Terminal {
		w.add("-chardev", "stdio,id=terminal,signal=off")
		w.device("virtconsole", "bus=channels.0", "chardev=terminal")
	}
}

func address(slot, function int) string { return fmt.Sprintf("0x%x.0x%x", slot, function) }
