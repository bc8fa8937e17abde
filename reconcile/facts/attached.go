package facts

import (
	"fmt"
	"strings"
)

// Attached is something below a function, neither block device nor network
// interface, that is in use, or of which it is not known that it is not. Where a
// comment names a file, that is in the device's directory below the function's
// (Linux Documentation/ABI/testing/sysfs-bus-usb, sysfs-class).
type Attached struct {
	Name    string   `json:"name"`              // kernel name: "sg2", "1-1.4"
	Class   string   `json:"class"`             // as below /sys/class or /sys/bus: "scsi_generic", "usb"
	Driver  string   `json:"driver,omitempty"`  // driver, a link, of it or its interfaces, several with a comma; empty: none
	Product string   `json:"product,omitempty"` // manufacturer and product, as a USB device says of itself, cut after 64 bytes; its numbers where it says nothing
	Sort    string   `json:"sort,omitempty"`    // what a USB device is by the class codes of its interfaces, "keyboard"; of a SCSI host that it serves others; empty: not known
	Shows   string   `json:"shows,omitempty"`   // "console": the host's own is on it (/sys/class/vtconsole, /sys/class/tty/console/active); "picture": a monitor that is lit (enabled); empty: neither
	Openers []Opener `json:"openers,omitempty"` // processes that have it open; empty: none has, or its users are in the kernel
}

// TargetPort is the Sort of a SCSI host, or of a port of the kernel's NVMe target, over
// which other machines reach drives of this one.
const TargetPort = "target of other machines"

// MaxProduct is how many bytes are kept of what a device says of itself: it may
// say 126 characters, in whatever script (USB 2.0, 9.6.7).
const MaxProduct = 64

// GapBelow is the fact of a gap that says why not everything below a function was
// seen.
const GapBelow = "attached"

// title names something attached: what it is for people, then for the kernel.
func (a Attached) title() string {
	kernel := a.Class + " " + a.Name
	if words := strings.TrimSpace(a.Sort + " " + a.Product); words != "" {
		return words + " (" + kernel + ")"
	}
	return kernel
}

// remote tells a drive that the host reaches through a function, of which the kernel
// shows that elsewhere.
func (a Attached) remote() bool {
	return a.Class == "nvme" || a.Class == "iscsi_host" && a.Driver == "iscsi_tcp"
}

// attached adds what is in use below a function besides its drives and cards.
func (w *usesWalk) attached(f *Function) {
	for _, a := range f.Attached {
		chain := []string{f.Address.String(), a.Name}
		switch {
		case len(a.Openers) > 0:
			for _, o := range a.Openers {
				w.add(Use{Kind: UseProcess, User: o.Process + ", which has it open", Chain: chain, Live: true})
			}
		case a.Shows != "":
			w.add(Use{Kind: UseConsole, User: a.Name, Chain: itself(f), Live: true, More: shown[a.Shows]})
		case a.remote():
			w.add(Use{Kind: UseRemote, User: a.title(), Chain: chain, Live: true, More: "by " + a.Driver})
		case a.Driver != "":
			w.add(Use{Kind: UseDevice, User: a.title(), Chain: chain, Live: true, More: "the host's driver " + a.Driver + " has it"})
		default:
			w.add(Use{Kind: UseUnknown, User: "somebody, maybe: lendkeep does not know what uses a device of class " + a.Class, Chain: chain, Live: true})
		}
	}
	for _, fact := range []string{GapUsers, GapBelow} {
		if gap := f.Gap(fact); gap != nil {
			w.add(Use{Kind: UseUnknown, User: fmt.Sprintf("somebody, maybe: %s: %s", gap.Path, gap.Reason), Chain: itself(f), Live: true})
			if gap.Fact == GapAll {
				return
			}
		}
	}
}

// shown says in words what an Attached shows.
var shown = map[string]string{"console": "the host's console is on it", "picture": "a monitor on it shows the host's picture"}

// Values of Attached.Shows.
const (
	ShowsConsole = "console"
	ShowsPicture = "picture"
)

// silent adds that nobody knows who uses a function that a driver has, where nothing
// that is below it can tell: an accelerator for the kernel's own ciphers shows
// nothing at all. Of the classes that are left out, users show below (PCI Code and ID
// Assignment Specification: mass storage, network, display, multimedia, bridge,
// communication, serial bus), as they do of a virtio device.
func (w *usesWalk) silent(f *Function) {
	switch f.Class >> 16 {
	case 0x01, 0x02, 0x03, 0x04, 0x06, 0x07, 0x0c:
		return
	}
	if f.Driver == "" || f.OnVFIO() || f.Stubbed() || f.Driver == "virtio-pci" || len(w.ix.tops[w.at]) > 0 || len(f.Interfaces) > 0 || len(f.Attached) > 0 {
		return
	}
	w.add(Use{Kind: UseUnknown, User: "the kernel, maybe: nothing shows who uses what its driver " + f.Driver + " does", Chain: itself(f), Live: true})
}

func itself(f *Function) []string { return []string{f.Address.String()} }
