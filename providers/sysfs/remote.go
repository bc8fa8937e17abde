package sysfs

import (
	"net/netip"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// remote is drives that the host reaches through a card without their hanging on it:
// the kernel shows them below devices of its own making. Which way they go is as they
// say themselves; empty: they do not say.
type remote struct {
	name, class, driver string
	port                string     // of Fibre Channel: the name of the host's own, 0x and 16 digits
	card                string     // network interface
	local               netip.Addr // the host's own address
}

const iscsiHosts = "sys/class/iscsi_host"

// atHome are the transports of NVMe that leave the machine by no card (Linux
// drivers/nvme/host/pci.c, apple.c, target/loop.c, the name in nvme_ctrl_ops).
var atHome = []string{"pcie", "apple-nvme", "loop"}

// remotes reads what the host has over networks: NVMe over Fabrics (Linux
// drivers/nvme/host/fabrics.c, nvmf_get_address; core.c, transport) and iSCSI by
// software (drivers/scsi/iscsi_tcp.c: the host's ipaddress is the connection's own). An
// offloading card's sessions are below it. Read once, when something is met that they
// may go over.
func (s *survey) remotes() ([]remote, []facts.Gap) {
	if s.over != nil {
		return *s.over, s.overGaps
	}
	list := []remote{}
	p := place{&s.reader, nvmeClass, &s.overGaps}
	p.share(facts.GapBelow, s.out.Gaps, "functions.nvme")
	for _, name := range s.fabrics {
		transport, _ := p.textIfAny(facts.GapBelow, name+"/transport")
		address, _ := p.textIfAny(facts.GapBelow, name+"/address")
		if !slices.Contains(atHome, transport) {
			list = append(list, fabric(name, transport, address))
		}
	}
	p.dir = iscsiHosts
	for _, name := range p.names(facts.GapBelow) {
		if to, err := s.target(iscsiHosts + "/" + name); err == nil && facts.NearestFunction(to) != nil {
			continue
		}
		address, _ := p.textIfAny(facts.GapBelow, name+"/ipaddress")
		local, _ := netip.ParseAddr(address)
		list = append(list, remote{name: name, class: "iscsi_host", driver: "iscsi_tcp", local: local.Unmap()})
	}
	s.over = &list
	return list, s.overGaps
}

// fabric reads the address of an NVMe controller, traddr=192.0.2.50,trsvcid=4420,
// src_addr=192.0.2.7 or traddr=nn-0x...:pn-0x...,host_traddr=nn-0x...:pn-0x... of the
// host's own port.
func fabric(name, transport, address string) remote {
	r := remote{name: name, class: "nvme", driver: "nvme-" + transport}
	for part := range strings.SplitSeq(address, ",") {
		switch key, value, _ := strings.Cut(part, "="); key {
		case "host_iface":
			r.card = value
		case "src_addr", "host_traddr":
			if _, port, is := strings.Cut(value, "pn-"); is {
				r.port = port
			} else if at, err := netip.ParseAddr(value); err == nil && !r.local.IsValid() {
				r.local = at.Unmap().WithZone("")
			}
		}
	}
	return r
}

func (r remote) attached() facts.Attached {
	return facts.Attached{Name: r.name, Class: r.class, Driver: r.driver}
}

// fibre notes the remote drives that go over a port of Fibre Channel (Linux
// Documentation/ABI/testing/sysfs-class-fc_host), and those that do not say over which.
func (w *belowWalk) fibre(p place) {
	own := p.text(facts.GapBelow, "port_name")
	list, gaps := w.remotes()
	*w.gaps = append(*w.gaps, gaps...)
	for _, r := range list {
		if r.driver == "nvme-fc" && (own == "" || r.port == "" || strings.EqualFold(r.port, own)) {
			w.list = append(w.list, r.attached())
		}
	}
	w.serves(own)
}

const nvmetPorts = "sys/kernel/config/nvmet/ports"

// serves notes the ports of the kernel's own NVMe target that are on a port of Fibre
// Channel: other machines reach drives of this one there (Linux
// drivers/nvme/target/configfs.c, fc.c: nn-0x...:pn-0x...).
func (w *belowWalk) serves(own string) {
	p := place{w.reader, nvmetPorts, w.gaps}
	for _, name := range p.names(facts.GapBelow) {
		kind, _ := p.textIfAny(facts.GapBelow, name+"/addr_trtype")
		address, _ := p.textIfAny(facts.GapBelow, name+"/addr_traddr")
		if _, port, said := strings.Cut(address, "pn-"); kind == "fc" && (own == "" || !said || strings.EqualFold(port, own)) {
			w.list = append(w.list, facts.Attached{Name: "port " + name, Class: "nvmet", Driver: "nvmet-fc", Sort: facts.TargetPort})
		}
	}
}

// target notes a SCSI host that serves disks to other machines over its wire: nothing
// hangs on it, and no process has it open (Linux drivers/scsi/scsi_sysfs.c,
// show_shost_active_mode: Initiator, Target, or both; of what does not say that it is
// the first alone nobody knows).
func (w *belowWalk) target(p place) {
	if mode, there := p.textIfAny(facts.GapBelow, "active_mode"); there && mode != "Initiator" {
		w.list = append(w.list, facts.Attached{Name: path.Base(p.dir), Class: "scsi_host", Driver: p.text(facts.GapBelow, "proc_name"), Sort: facts.TargetPort})
	}
}

// network notes the remote drives that go over a function's network interfaces or what
// is built on them. Of those that do not say over which, any that is up may be it.
func (w *belowWalk) network(f *facts.Function) {
	if len(f.Interfaces) == 0 {
		return
	}
	var names, addresses []string
	up := false
	for _, i := range f.Interfaces {
		names, addresses, up = append(names, i.Name), append(addresses, i.Addresses...), up || i.Up
		for _, b := range i.Built {
			names, addresses = append(names, b.Name), append(addresses, b.Addresses...)
		}
	}
	list, gaps := w.remotes()
	*w.gaps = append(*w.gaps, gaps...)
	for _, r := range list {
		known := r.card != "" || r.local.IsValid()
		over := r.card != "" && slices.Contains(names, r.card) || slices.ContainsFunc(addresses, func(a string) bool {
			prefix, err := netip.ParsePrefix(a)
			return err == nil && prefix.Addr() == r.local
		})
		if r.driver != "nvme-fc" && (over || !known && up) {
			w.list = append(w.list, r.attached())
		}
	}
}
