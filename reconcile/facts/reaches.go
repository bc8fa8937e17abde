package facts

import (
	"fmt"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// Paths lists every path of the host that a definition names, in whichever
// place and for whatever, each once, and where the kernel shows the devices that
// it names by other means. A survey must have looked at them.
func (d *Definition) Paths() []string {
	var list []string
	seen := map[string]bool{"": true}
	add := func(named string) {
		if !seen[named] && path.IsAbs(named) {
			seen[named] = true
			list = append(list, named)
		}
	}
	for _, r := range d.everything() {
		if r.Kind == ReachPath {
			add(r.Name)
		}
		add(r.shown())
	}
	return list
}

// Paths lists the paths that libvirt names, in definitions and in pools.
func (v Virtualization) Paths() []string {
	var list []string
	for i := range v.Guests {
		for _, d := range v.Guests[i].Definitions() {
			list = append(list, d.Paths()...)
		}
	}
	for _, p := range v.Pools {
		if p.Target != "" {
			list = append(list, p.Target)
		}
		list = append(list, p.Sources...)
	}
	return list
}

// everything gives what a definition reaches, disks included.
func (d *Definition) everything() []Reach {
	list := make([]Reach, 0, len(d.Disks)+len(d.Reaches))
	for _, disk := range d.Disks {
		if path.IsAbs(disk.Source) {
			list = append(list, Reach{At: "disk " + disk.Target, Kind: ReachPath, Name: disk.Source, ReadOnly: disk.ReadOnly})
		}
	}
	return append(list, d.Reaches...)
}

// plainName is a name that has one meaning as an element of a path.
var plainName = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[0-9A-Za-z_][0-9A-Za-z_.:-]*$`) })

// shown gives the path at which the kernel shows what a Reach names; a link
// there leads to the device, below the PCI function that it hangs on (Linux
// Documentation/ABI/testing/sysfs-class and sysfs-bus-mdev, -usb, -scsi). Empty
// for a name that says too little.
func (r Reach) shown() string {
	name := r.Name
	folder := map[ReachKind]string{ReachMdev: "/sys/bus/mdev/devices/", ReachSCSI: "/sys/bus/scsi/devices/", ReachCard: "/sys/class/net/", ReachUSB: "/sys/bus/usb/devices/"}[r.Kind]
	switch {
	case r.Kind == ReachSCSI && name != "" && !strings.Contains(name, ":"):
		folder, name = "/sys/class/scsi_host/", "host"+name
	case r.Kind == ReachUSB && len(name) == len("0951:1666") && name[4] == ':':
		return "" // a kind of device, which may be at any controller
	case r.Kind == ReachUSB:
		bus, _, _ := strings.Cut(name, ":")
		name = "usb" + bus
	case r.Kind == ReachPath:
		folder, name = classOf(path.Clean(r.Name))
	}
	if folder == "" || !plainName().MatchString(name) {
		return ""
	}
	return folder + name
}

// charDevice is a kind of character device through which a drive is used, by the
// name that the kernel gives it, and the class in which it shows it.
type charDevice struct {
	name  *regexp.Regexp
	class string
}

// charDevices are all of them (Linux Documentation/admin-guide/devices.txt;
// drivers/nvme/host/core.c), made when they are first asked for.
var charDevices = sync.OnceValue(func() []charDevice {
	return []charDevice{
		{regexp.MustCompile(`^/dev/(nvme[0-9]+)$`), "nvme"},
		{regexp.MustCompile(`^/dev/(ng[0-9]+n[0-9]+)$`), "nvme-generic"},
		{regexp.MustCompile(`^/dev/(sg[0-9]+)$`), "scsi_generic"},
		{regexp.MustCompile(`^/dev/(n?st[0-9]+[a-z]?)$`), "scsi_tape"},
		{regexp.MustCompile(`^/dev/bsg/([^/]+)$`), "bsg"},
		{regexp.MustCompile(`^/dev/(hidraw[0-9]+)$`), "hidraw"},
		{regexp.MustCompile(`^/dev/input/(event[0-9]+|mouse[0-9]+|js[0-9]+)$`), "input"},
		{regexp.MustCompile(`^/dev/dri/([^/]+)$`), "drm"},
		{regexp.MustCompile(`^/dev/snd/([^/]+)$`), "sound"},
		{regexp.MustCompile(`^/dev/(vhost-vdpa-[0-9]+)$`), "vhost-vdpa"},
		{regexp.MustCompile(`^/dev/(tty[A-Z]+[0-9]+)$`), "tty"},
	}
})

func classOf(named string) (folder, name string) {
	if !strings.HasPrefix(named, "/dev/") {
		return "", "" // by far the most are files
	}
	for _, c := range charDevices() {
		if found := c.name.FindStringSubmatch(named); found != nil {
			return "/sys/class/" + c.class + "/", found[1]
		}
	}
	return "", ""
}

// addGuest notes what a guest uses by any of its definitions.
func (ix *Index) addGuest(g *Guest) {
	seen := map[string]bool{"": true}
	use := func(named string) {
		if !seen[named] && path.IsAbs(named) {
			seen[named] = true
			ix.addChain(named, g)
		}
	}
	for _, d := range g.Definitions() {
		for _, disk := range d.Disks {
			use(ix.SourceOf(disk)) // volumes too
		}
		for _, r := range d.everything() {
			if r.Kind == ReachPath {
				use(r.Name)
			}
			ix.addReach(r, g, d == g.Live || g.Live == nil)
		}
	}
}

// reachUse is a guest's use of a function, or of one that nobody can name.
type reachUse struct {
	user string
	what string
	live bool
	may  func(*Function) bool // nil: it is this function
}

// addReach notes what is not reached through a file or block device. What only
// the kept definition of a running guest says so loosely that it could be
// anywhere stands in the one in force more exactly.
func (ix *Index) addReach(r Reach, g *Guest, inForce bool) {
	if r.Kind == ReachUnclear || r.Kind == ReachPath && !ofKernel(ix.resolved(r.Name)) {
		return
	}
	use := reachUse{user: g.Name, what: fmt.Sprintf("%s %s (%s)", r.Kind, r.Name, r.At), live: g.Running}
	if r.Kind == ReachNetwork {
		ix.addNetwork(r, use)
		return
	}
	if at := ix.FunctionOf(r); at != nil {
		ix.addReached(*at, use)
		return
	}
	if r.Kind == ReachCard && !slices.ContainsFunc(ix.carried[r.Name], func(u reachUse) bool { return u.user == use.user && u.live == use.live }) {
		ix.carried[r.Name] = append(ix.carried[r.Name], use)
	}
	if use.may = ix.candidates(r); use.may != nil {
		use.live = use.live && inForce
		ix.somewhere = append(ix.somewhere, use)
	}
}

// ofKernel tells a path at which the kernel itself shows something.
func ofKernel(named string) bool {
	named = path.Clean(named)
	return strings.HasPrefix(named, "/dev/") || strings.HasPrefix(named, "/sys/")
}

func (ix *Index) addReached(at Address, use reachUse) {
	if !slices.ContainsFunc(ix.reached[at], func(u reachUse) bool { return u.user == use.user && u.live == use.live }) {
		ix.reached[at] = append(ix.reached[at], use)
	}
}

// addNetwork notes what a guest in a network may be given. What it was given
// stands in the definition in force as the function or interface itself (libvirt
// 9.0 src/conf/domain_conf.c, virDomainNetDefFormat), so the network alone is no
// use that is going on.
func (ix *Index) addNetwork(r Reach, use reachUse) {
	use.live = false
	i := slices.IndexFunc(ix.Survey.Libvirt.Networks, func(n Network) bool { return n.Name == r.Name })
	if i < 0 { // it may give any card
		use.may = func(f *Function) bool { return f.Class>>16 == 2 }
		ix.somewhere = append(ix.somewhere, use)
		return
	}
	list := slices.Clone(ix.Survey.Libvirt.Networks[i].Functions)
	for _, name := range ix.Survey.Libvirt.Networks[i].Cards {
		if f := ix.cards[name]; f != nil {
			list = append(list, f.Address)
		}
	}
	for _, at := range list {
		ix.addReached(at, use)
		for _, f := range ix.virtuals[at] {
			ix.addReached(f.Address, use)
		}
	}
}

// FunctionOf gives the PCI function that a Reach means, or on which what it
// means hangs; nil where there is none, or the survey does not say.
func (ix *Index) FunctionOf(r Reach) *Address {
	if r.Kind == ReachPCI || r.Kind == ReachParent {
		if at, err := ParseAddress(r.Name); err == nil {
			return &at
		}
		return nil
	}
	if r.Kind == ReachCard {
		if f := ix.cards[r.Name]; f != nil {
			return &f.Address
		}
	}
	if r.Kind == ReachPath && ix.Device(r.Name) == nil { // a block device's uses are its own
		if f := ix.nvmeNamed(ix.resolved(r.Name)); f != nil {
			return &f.Address
		}
		if named := path.Clean(ix.resolved(r.Name)); strings.HasPrefix(named, "/sys/") {
			return NearestFunction(named)
		}
	}
	if p := ix.paths[r.shown()]; p != nil && !p.Missing {
		return NearestFunction(p.Resolved)
	}
	return nil
}

// nvmeNamed gives the NVMe controller to which a character device belongs, by
// its name alone: the number in it is the controller's, or in "ng0n1" that of
// the namespace's block device (Linux drivers/nvme/host/core.c).
func (ix *Index) nvmeNamed(named string) *Function {
	name, found := strings.CutPrefix(path.Clean(named), "/dev/")
	if !found {
		return nil
	}
	if numbers, generic := strings.CutPrefix(name, "ng"); generic {
		name = "nvme" + numbers
	}
	if f := ix.nvmes[name]; f != nil {
		return f
	}
	if b := ix.blocks[name]; b != nil && b.Controller != nil {
		return ix.functions[*b.Controller]
	}
	return nil
}

// candidates says which functions a Reach may mean that the survey does not
// show: by the PCI class of what drives such devices (PCI Code and ID Assignment
// Specification). nil: none, as of a folder or socket.
func (ix *Index) candidates(r Reach) func(*Function) bool {
	usb := func(f *Function) bool { return f.Class>>8 == 0x0c03 }
	scsi := func(f *Function) bool {
		return f.Class>>16 == 1 && f.Class>>8 != 0x0108 || f.Class>>8 == 0x0c04 || usb(f) // 0c04: Fibre Channel
	}
	switch r.Kind {
	case ReachUSB:
		return usb
	case ReachSCSI:
		return scsi
	case ReachMdev:
		// Drivers of drives have none (Linux Documentation/driver-api/vfio-mediated-device.rst).
		return func(f *Function) bool { return f.Class>>16 != 1 && f.Class>>16 != 6 && !usb(f) }
	case ReachPath:
		folder, name := classOf(path.Clean(ix.resolved(r.Name)))
		switch strings.TrimPrefix(folder, "/sys/class/") {
		case "scsi_generic/", "scsi_tape/", "bsg/":
			return scsi
		case "nvme/", "nvme-generic/":
			if f := ix.nvmeNamed("/dev/" + name); f == nil {
				return func(f *Function) bool { return f.NVMe != nil }
			}
		}
		return ofDeviceFile(path.Clean(ix.resolved(r.Name)), usb)
	}
	return nil
}

// ofDeviceFile says which functions are used through a device file: of USB, and
// of VFIO (Linux Documentation/driver-api/vfio.rst).
func ofDeviceFile(named string, usb func(*Function) bool) func(*Function) bool {
	if strings.HasPrefix(named, "/dev/bus/usb") {
		return usb
	}
	within, found := strings.CutPrefix(named, "/dev/vfio/")
	if !found || within == "vfio" { // the way to all groups, and to none by itself
		return nil
	}
	return func(f *Function) bool {
		_, unclear := strconv.ParseUint(within, 10, 64)
		return f.OnVFIO() && (f.Group == nil || within == strconv.Itoa(*f.Group) || unclear != nil)
	}
}

// reaches adds what guests use of a function itself, or may.
func (w *usesWalk) reaches(f *Function) {
	for _, use := range w.ix.reached[f.Address] {
		w.add(Use{Kind: UseGuest, User: use.user, Chain: []string{f.Address.String(), use.what}, Live: use.live})
	}
	for _, use := range w.ix.somewhere {
		if use.may(f) {
			w.add(Use{Kind: UseGuest, User: use.user, Chain: []string{f.Address.String(), use.what + ", which may be here"}, Live: use.live})
		}
	}
}

// Places gives the paths on which a definition lives: all that it names, links
// resolved, and every image below another. It is one rule for whoever asks
// whether a mount must be there before the guest starts.
func (ix *Index) Places(d *Definition) []string {
	var list []string
	for _, disk := range d.Disks {
		list = append(list, ix.Chain(ix.SourceOf(disk))...)
	}
	for _, r := range d.Reaches {
		if r.Kind == ReachPath {
			list = append(list, ix.Chain(r.Name)...)
		}
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// Chain gives where a path leads, and every image below the one there.
func (ix *Index) Chain(named string) []string {
	var list []string
	for range maxChain {
		if !path.IsAbs(named) {
			break
		}
		list = append(list, path.Clean(ix.resolved(named)))
		p := ix.paths[named]
		if p == nil {
			break
		}
		named = p.Backing
	}
	return list
}

// Within tells whether something that is named by one path is at a place, below
// it, or is a folder that has the place in it: a guest that has the folder has
// what is mounted there, and where nothing is, what lies below the mount.
func Within(named, place string) bool {
	return named == place || strings.HasPrefix(named, strings.TrimSuffix(place, "/")+"/") || strings.HasPrefix(place, strings.TrimSuffix(named, "/")+"/")
}
