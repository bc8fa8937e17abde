package definition

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// remote are the protocols of disks whose bytes are on another machine, or
// behind a socket that is named beside them (libvirt domain format, "protocol").
var remote = strings.Fields("nbd rbd sheepdog gluster iscsi http https ftp ftps tftp vxhs nfs ssh")

// compound reads places that mean something only together: addresses, and what
// a kind implies. Where it does not understand them, that is told.
func (r *reaching) compound(e *etree.Element, above []*node) {
	device := ""
	if len(above) > 2 && above[1].tag == "devices" {
		device = above[2].tag
	}
	switch tag := above[len(above)-1].tag; {
	case len(above) == 1 && slices.Contains([]string{"kvm", "qemu"}, attr(e, "type")):
		for _, folder := range ownFolders {
			r.add(e, "@type", facts.Reach{Kind: facts.ReachPath, Name: folder})
		}
	case tag == "hostdev" && len(above) == 3:
		r.hostdev(e)
	case tag == "address" && inSource(above):
		r.address(e)
	case tag == "source" && device == "interface":
		r.uplink(e)
	case tag == "source" && attr(e, "protocol") != "" && device != "hostdev" && !slices.Contains(remote, attr(e, "protocol")):
		r.unclear(e, "@protocol", attr(e, "protocol"))
	case tag == "vendor" && inSource(above) && (device == "interface" || device == "hostdev") && child(e.Parent(), "address") == nil:
		r.add(e, "", facts.Reach{Kind: facts.ReachUSB, Name: hexID(e, "vendor") + ":" + hexID(e, "product")})
	case tag == "backend" && device == "tpm" && attr(e, "type") != "passthrough" && attr(child(e, "source"), "path") == "":
		r.add(e, "@type", facts.Reach{Kind: facts.ReachPath, Name: tpmFolder})
	case tag == "source" && len(above) == 3 && above[1].tag == "memoryBacking" && attr(e, "type") == "file":
		r.add(e, "@type", facts.Reach{Kind: facts.ReachPath, Name: memoryFolder})
	case tag == "smartcard" && strings.HasPrefix(attr(e, "mode"), "host"):
		r.add(e, "@mode", facts.Reach{Kind: facts.ReachUnclear, Name: "a reader of smart cards of the host's"})
	case tag == "shmem" && len(above) == 3 && child(e, "server") == nil:
		r.add(e, "@name", facts.Reach{Kind: facts.ReachPath, Name: "/dev/shm/" + attr(e, "name")})
	}
}

// hostdev tells what no address says: SCSI hosts, targets of the kernel's, and
// kinds that are not known.
func (r *reaching) hostdev(e *etree.Element) {
	source := child(e, "source")
	switch attr(e, "mode") + "/" + attr(e, "type") {
	case "subsystem/pci", "/pci", "subsystem/usb", "/usb", "subsystem/mdev", "/mdev", "capabilities/storage", "capabilities/misc", "capabilities/net":
		// In its address, or its path.
	case "subsystem/scsi", "/scsi":
		r.scsi(e, source)
	default:
		r.add(e, "@type", facts.Reach{Kind: facts.ReachUnclear, Name: shortened(strings.TrimSpace(fmt.Sprintf("a device of the host of type %s %s",
			attr(e, "type"), attr(source, "wwpn"))))})
	}
}

// scsi reads a SCSI device of the host; one behind iSCSI is another machine's.
func (r *reaching) scsi(e, source *etree.Element) {
	if attr(source, "protocol") == "iscsi" {
		return
	}
	adapter, address := child(source, "adapter"), child(source, "address")
	if child(adapter, "parentaddr") != nil {
		return // the address of its function says where it is
	}
	host, is := strings.CutPrefix(attr(adapter, "name"), "scsi_host")
	if _, err := strconv.ParseUint(host, 10, 31); !is || err != nil || address == nil {
		r.add(e, "source", facts.Reach{Kind: facts.ReachSCSI, Name: ""})
		return
	}
	name := host
	for _, part := range []string{"bus", "target", "unit"} {
		number, err := strconv.ParseUint(attr(address, part), 0, 64)
		if err != nil {
			r.add(e, "source", facts.Reach{Kind: facts.ReachSCSI, Name: host})
			return
		}
		name += ":" + strconv.FormatUint(number, 10)
	}
	r.add(e, "source", facts.Reach{Kind: facts.ReachSCSI, Name: name})
}

// address reads an address of the host that readLent has not taken.
func (r *reaching) address(e *etree.Element) {
	if r.taken[e] {
		return
	}
	has := func(name string) bool { return attr(e, name) != "" }
	switch {
	case has("uuid"):
		r.add(e, "@uuid", facts.Reach{Kind: facts.ReachMdev, Name: strings.ToLower(attr(e, "uuid"))})
	case has("device"):
		r.usb(e)
	case has("target") || has("unit"):
		// With its adapter, in scsi.
	case has("slot") || has("function"):
		at, err := addressOf(e)
		if err != nil {
			r.add(e, "", facts.Reach{Kind: facts.ReachUnclear, Name: shortened(err.Error())})
			return
		}
		kind := facts.ReachPCI
		if e.Parent().Tag == "parentaddr" {
			kind = facts.ReachParent
		}
		r.add(e, "", facts.Reach{Kind: kind, Name: at.String()})
	case len(e.Attr) > 0:
		r.add(e, "", facts.Reach{Kind: facts.ReachUnclear, Name: "an address of the host without its parts"})
	}
}

func (r *reaching) usb(e *etree.Element) {
	bus, err := strconv.ParseUint(attr(e, "bus"), 0, 16)
	device, err2 := strconv.ParseUint(attr(e, "device"), 0, 16)
	name := fmt.Sprintf("%d:%d", bus, device)
	if err != nil || err2 != nil {
		name = ""
	}
	r.add(e, "", facts.Reach{Kind: facts.ReachUSB, Name: name})
}

// uplink reads what carries an interface of the guest: a network interface of
// the host, or the device node of one.
func (r *reaching) uplink(e *etree.Element) {
	switch dev := attr(e, "dev"); {
	case dev == "":
	case strings.HasPrefix(dev, "/"):
		r.path(e, "@dev", dev, false)
	default:
		r.add(e, "@dev", facts.Reach{Kind: facts.ReachCard, Name: dev})
	}
}

// hexID gives a vendor's or product's number beside an element, as four digits.
func hexID(e *etree.Element, name string) string {
	value := attr(child(e.Parent(), name), "id")
	number, err := strconv.ParseUint(value, 0, 16)
	if err != nil {
		return "?"
	}
	return fmt.Sprintf("%04x", number)
}
