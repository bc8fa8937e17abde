package emuhost

import (
	"cmp"
	"fmt"
	"strings"
)

// Guest is a small guest that borrows controllers. Its type is qemu: a KVM
// guest under software emulation aborts the whole host.
type Guest struct {
	Name      string
	Borrows   []string // addresses, as 0000:01:00.0
	Firmware  bool     // UEFI, which starts what is on the first controller
	Image     string   // path of another image than OVMF's; one of 4 MiB
	MemoryMiB int      // 0: 128
}

// Serial is the file inside that the guest's serial line is written to.
func (g Guest) Serial() string { return "/var/log/" + g.Name + "-serial.log" }

// XML is the guest's definition for libvirt.
func (g Guest) XML() (string, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "<domain type='qemu'>\n<name>%s</name>\n<memory unit='MiB'>%d</memory>\n<vcpu>1</vcpu>\n", g.Name, cmp.Or(g.MemoryMiB, 128))
	b.WriteString("<os><type arch='x86_64' machine='q35'>hvm</type>")
	switch {
	case g.Image != "":
		b.WriteString("<loader readonly='yes' type='pflash'>" + g.Image + "</loader>" +
			"<nvram template='/usr/share/OVMF/OVMF_VARS_4M.fd'/>")
	case g.Firmware:
		// The 2 MiB image starts some ten seconds sooner than the 4 MiB one.
		b.WriteString("<loader readonly='yes' type='pflash'>/usr/share/OVMF/OVMF_CODE.fd</loader>" +
			"<nvram template='/usr/share/OVMF/OVMF_VARS.fd'/>")
	}
	b.WriteString("</os>\n<features><acpi/></features>\n<devices>\n" +
		"<controller type='usb' model='none'/>\n<memballoon model='none'/>\n")
	fmt.Fprintf(&b, "<serial type='file'><source path='%s'/></serial>\n", g.Serial())
	for i, text := range g.Borrows {
		address, err := sourceAddress(text)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&b, "<hostdev mode='subsystem' type='pci' managed='yes'><source>%s</source>", address)
		if g.Firmware {
			fmt.Fprintf(&b, "<boot order='%d'/>", i+1)
		}
		b.WriteString("</hostdev>\n")
	}
	b.WriteString("</devices>\n</domain>\n")
	return b.String(), nil
}

// sourceAddress writes an address as libvirt takes it.
func sourceAddress(text string) (string, error) {
	var segment, bus, slot, function int
	if _, err := fmt.Sscanf(text, "%04x:%02x:%02x.%1x", &segment, &bus, &slot, &function); err != nil {
		return "", fmt.Errorf("read address %q: %w", text, err)
	}
	return fmt.Sprintf("<address domain='0x%04x' bus='0x%02x' slot='0x%02x' function='0x%x'/>", segment, bus, slot, function), nil
}
