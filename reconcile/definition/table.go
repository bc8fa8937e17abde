package definition

import (
	"slices"
	"strings"
	"sync"
)

// The table says of every place of a guest's definition whether a use of the
// host can stand there, and how it is read. A place is an attribute of an
// element, or its text (named "."). What the table lacks is outside: its value
// is searched for paths and PCI addresses, and that it could not be understood
// is told (outside.go). The places are those of libvirt 9.0.0's RELAX NG schema
// domain.rng (Debian package libvirt0, /usr/share/libvirt/schemas), and
// TestTableHasEveryPlaceOfTheSchema holds both against each other.

// how says what a value at a place is to the host.
type how int

const (
	none    how = iota // nothing: a word, a number, something of the guest's own, or of another machine
	looked             // path of the host that is read only
	used               // path of the host: a file, folder, device node or socket
	part               // read together with its element, by disksOf, readLent or reaching.compound
	card               // network interface of the host
	network            // one of libvirt's virtual networks
	unclear            // passed on to somebody who makes of it what he likes
)

// row is some places of the elements that its pattern stands for.
type row struct {
	at    string // child names below <domain>, "devices/disk/source"; {group} stands for each of a group
	names string // attributes, and "." for the text; none: the element alone is known
	how   how
	why   string
	since string // where the schema of 9.0.0 lacks it: the version of libvirt that has it
}

// spaces are the namespaces of libvirt's drivers by the prefix that the table
// calls them by.
var spaces = map[string]string{
	"http://libvirt.org/schemas/domain/qemu/1.0":   "qemu",
	"http://libvirt.org/schemas/domain/bhyve/1.0":  "bhyve",
	"http://libvirt.org/schemas/domain/xen/1.0":    "xen",
	"http://libvirt.org/schemas/domain/lxc/1.0":    "lxc",
	"http://libvirt.org/schemas/domain/vmware/1.0": "vmware",
}

// groups are elements of the same shape.
var groups = map[string]string{
	"device": `disk controller lease filesystem interface smartcard serial parallel console channel input tpm
		graphics sound audio video hostdev redirdev hub watchdog memballoon rng panic shmem memory iommu vsock nvram crypto pstore`,
	"virtio":  `controller disk filesystem input memballoon rng video vsock interface`,
	"char":    "devices/serial devices/parallel devices/console devices/channel devices/redirdev devices/smartcard devices/rng/backend",
	"console": "devices/serial devices/parallel devices/console devices/smartcard",
	"capability": `audit_control audit_write block_suspend chown dac_override dac_read_search fowner fsetid ipc_lock
		ipc_owner kill lease linux_immutable mac_admin mac_override mknod net_admin net_bind_service net_broadcast net_raw
		setfcap setgid setpcap setuid sys_admin sys_boot sys_chroot sys_module sys_nice sys_pacct sys_ptrace sys_rawio
		sys_resource sys_time sys_tty_config syslog wake_alarm`,
	"switch": "ccf-assist hap htm nested-hv pmu pvspinlock smm vmcoreinfo vmport",
	"valued": "cfpc ibs sbbc",
	"enlightenment": `avic evmcs frequencies ipi reenlightenment relaxed reset runtime spinlocks stimer synic tlbflush
		vapic vendor_id vpindex`,
	"kvm":   "dirty-ring hidden hint-dedicated poll-control pv-ipi",
	"hash":  "sha1 sha256 sha384 sha512",
	"way":   "input output",
	"limit": `read_bytes_sec read_iops_sec write_bytes_sec write_iops_sec total_bytes_sec total_iops_sec`,
	"image": `devices/disk devices/disk/backingStore devices/disk/mirror devices/disk/mirror/backingStore os/nvram
		devices/disk/source/dataStore`,
}

// patterns gives the rows of each part of the table.
func patterns() []row {
	return slices.Concat(guestRows, storageRows, deviceRows)
}

// node is an element of the table with its places.
type node struct {
	tag      string
	children map[string]*node
	rows     []*row
}

// place says how what stands at a place of the element is read, and whether the table
// has it.
func (n *node) place(name string) (how, bool) {
	for _, r := range n.rows {
		for has := range strings.FieldsSeq(r.names) {
			if has == name {
				return r.how, true
			}
		}
	}
	return none, false
}

// table is the root of all rows, the element <domain>. It is made when it is first
// asked for: the guard's program begins twice for a start, and reads one definition.
var table = sync.OnceValue(func() *node { return plant(patterns()) })

func plant(rows []row) *node {
	root := &node{tag: "domain"}
	for i := range rows {
		for _, at := range expand(rows[i].at) {
			n := root.reach(at)
			n.rows = append(n.rows, &rows[i])
		}
	}
	return root
}

// reach gives the element at a path, which it makes.
func (n *node) reach(at string) *node {
	for tag := range strings.SplitSeq(at, "/") {
		if tag == "" {
			continue // <domain> itself
		}
		if n.children == nil {
			n.children = map[string]*node{}
		}
		if n.children[tag] == nil {
			n.children[tag] = &node{tag: tag}
		}
		n = n.children[tag]
	}
	return n
}

// expand writes the groups of a pattern out, one after another.
func expand(pattern string) []string {
	before, rest, has := strings.Cut(pattern, "{")
	if !has {
		return []string{pattern}
	}
	name, after, _ := strings.Cut(rest, "}")
	var list []string
	for _, member := range strings.Fields(groups[name]) {
		list = append(list, expand(before+member+after)...)
	}
	return list
}
