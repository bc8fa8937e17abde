package suite

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/stretchr/testify/require"
)

// guest is a small guest that borrows controllers. Its type is qemu: a KVM
// guest under software emulation aborts the whole host.
type guest struct {
	name     string
	borrows  []string // addresses
	firmware bool     // UEFI, with the first controller as what to boot from
}

// serial is the file that the guest's serial line is written to.
func (g guest) serial() string { return "/var/log/" + g.name + "-serial.log" }

func (g guest) xml() string {
	var b strings.Builder
	fmt.Fprintf(&b, "<domain type='qemu'><name>%s</name><memory unit='MiB'>128</memory><vcpu>1</vcpu>", g.name)
	b.WriteString("<os><type arch='x86_64' machine='q35'>hvm</type>")
	if g.firmware {
		// The 2 MiB image starts some ten seconds sooner than the 4 MiB one.
		b.WriteString("<loader readonly='yes' type='pflash'>/usr/share/OVMF/OVMF_CODE.fd</loader>" +
			"<nvram template='/usr/share/OVMF/OVMF_VARS.fd'/>")
	}
	b.WriteString("</os><features><acpi/></features><devices>" +
		"<controller type='usb' model='none'/><memballoon model='none'/>")
	fmt.Fprintf(&b, "<serial type='file'><source path='%s'/></serial>", g.serial())
	for i, address := range g.borrows {
		fmt.Fprintf(&b, "<hostdev mode='subsystem' type='pci' managed='yes'><source>%s</source>", source(address))
		if g.firmware {
			fmt.Fprintf(&b, "<boot order='%d'/>", i+1)
		}
		b.WriteString("</hostdev>")
	}
	b.WriteString("</devices></domain>")
	return b.String()
}

func source(address string) string {
	var segment, bus, slot, function int
	if _, err := fmt.Sscanf(address, "%x:%x:%x.%x", &segment, &bus, &slot, &function); err != nil {
		panic(fmt.Sprintf("address %q: %v", address, err))
	}
	return fmt.Sprintf("<address domain='0x%04x' bus='0x%02x' slot='0x%02x' function='0x%x'/>", segment, bus, slot, function)
}

// define makes the guest known to libvirt for as long as the test runs.
func (h host) define(g guest) {
	h.Helper()
	file := "/tmp/" + g.name + ".xml"
	require.NoError(h, h.machine.WriteFile(h.Context(), file, []byte(g.xml()), 0o644))
	h.run("virsh", "define", file)
	// The test's own context is done when cleanups run.
	h.Cleanup(func() {
		for _, argv := range [][]string{{"virsh", "destroy", g.name}, {"virsh", "undefine", "--nvram", g.name}} {
			if _, err := h.machine.Run(h.after(), argv...); err != nil {
				h.Errorf("clean up guest %s: %v", g.name, err)
			}
		}
	})
}

// returned waits until a drive is the host's again: driver bound, namespace
// there. It gives the namespace, whose name may have changed.
func (h host) returned(serial string) string {
	h.Helper()
	var device string
	h.until(30*time.Second, serial+" is back", func() bool {
		device = h.namespace(serial)
		return device != ""
	})
	h.run("udevadm", "settle")
	return device
}

// after is the context for what is done when the test is over.
func (h host) after() context.Context { return context.WithoutCancel(h.Context()) }
