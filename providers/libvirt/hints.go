//go:build libvirt_dlopen

package libvirt

import (
	"errors"
	"fmt"
	"strings"

	"libvirt.org/go/libvirt"
)

// refusal is an error of libvirt's: its own words and what one can do.
type refusal struct {
	what string
	said string
	hint string
	err  error
}

func (r *refusal) Error() string {
	text := r.what + ": " + strings.TrimSpace(r.said)
	if r.hint != "" {
		text += " (" + r.hint + ")"
	}
	return text
}

func (r *refusal) Unwrap() error { return r.err }

// explain gives an error of libvirt's without the binding's dress, and says
// what to do where that is known.
func explain(what string, err error) error {
	var said libvirt.Error
	switch {
	case err == nil:
		return nil
	case !errors.As(err, &said):
		return fmt.Errorf("%s: %w", what, err)
	case said.Message == "":
		said.Message = "libvirt gives no reason"
	}
	for _, h := range hints {
		if strings.Contains(said.Message, h.says) {
			return &refusal{what, said.Message, h.do, err}
		}
	}
	return &refusal{what, said.Message, "", err}
}

// hint is a part of a message, as libvirt 9.0 or QEMU 7.2 writes it, and what
// to do then.
type hint struct {
	says string
	from string // the file of Debian 12 that the message is in
	do   string
}

const (
	library = "libvirt.so.0"
	qemu    = "libvirt_driver_qemu.so"
	program = "qemu-system-x86_64"
)

var hints = []hint{
	{"Failed to connect socket to", library, "is libvirtd installed and running? systemctl status libvirtd"},
	{"authentication unavailable", library, "run as root, or as a member of the group libvirt"},
	{"authentication failed", library, "run as root, or as a member of the group libvirt"},
	{"access denied by policy", library, "run as root, or as a member of the group libvirt"},
	{"is not viable", program, "a host driver still holds another device of the same IOMMU group; lendkeep check LAYOUT names it"},
	{"is in use by driver", library, "another guest has the controller: shut that guest down first"},
	{"host doesn't support passthrough of host PCI devices", qemu, "turn the IOMMU on, in the firmware's setup and on the kernel command line"},
	{"Cannot access storage file", library, "the image is not there: is the filesystem mounted that it lies on?"},
	{"failed to find romfile", program, "QEMU's user must be able to read the file, and AppArmor must let it"},
	{"Hook script execution failed", library, "a hook refused; it says why"},
	{"unable to map backing store for guest RAM", program, "too few huge pages are free: reserve more, or stop another guest"},
	{"cannot set up guest memory", program, "the host has too little free memory: stop another guest"},
	{"VFIO_MAP_DMA failed", program, "the guest may not pin its memory: raise or remove <memtune><hard_limit>"},
	{"unable to find any master var store for loader", qemu, "no variable store is known for this firmware image: state firmware = \"uefi\""},
	{"Unable to find any firmware to satisfy", qemu, "install firmware images for guests (Debian package ovmf)"},
	{"already exists with uuid", library, "a guest of this name is there already"},
	{"managed save image exists", qemu, "start the guest and shut it down, or drop its saved memory: virsh managedsave-remove"},
	{"cannot delete inactive domain with", qemu, "the guest has snapshots: delete them first, if nobody needs them"},
	{"QEMU guest agent is not configured", qemu, "give the guest a channel to the agent: <channel type='unix'> with <target type='virtio' name='org.qemu.guest_agent.0'/>"},
	{"QEMU guest agent is not connected", qemu, "install and start QEMU's agent in the guest (Debian package qemu-guest-agent)"},
	{"Guest agent not available for now", qemu, "see that QEMU's agent runs in the guest; restart it there"},
	{"failed to validate against schema", library, "this libvirt does not know something that the definition says"},
}
