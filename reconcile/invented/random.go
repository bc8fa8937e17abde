package invented

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Random draws a host and a layout for it. Anything may be wrong with them that
// facts can show: drives in use at any depth, groups with foreign drivers,
// stale addresses, guests that fight for a controller.
func Random(t *rapid.T) (facts.Survey, *spec.Layout) {
	r := random{t: t, b: NewBuilder(), filled: map[facts.Address]bool{}}
	r.host()
	r.guests()
	layout := r.layout()
	r.firmware()
	r.systems()
	r.moves(layout)
	r.backs(layout)
	r.starts(layout)
	r.run()
	r.b.Survey.Sort()
	return r.b.Survey, layout
}

type random struct {
	t        *rapid.T
	b        *Builder
	at       []facts.Address
	ether    *facts.Address  // a network card that may have virtual functions; nil: there is none
	virtuals []facts.Address // those that it has
	cards    []facts.Address // those that share a controller's group
	screen   *facts.Address  // the first function of a graphics card; nil: there is none
	shelf    []string        // the path where each controller's shelf belongs
	lentTo   map[string][]int
	filled   map[facts.Address]bool // drives on which something is yet to be made
}

func (r *random) chance(percent int, what string) bool {
	return rapid.IntRange(0, 99).Draw(r.t, what) < percent
}

func (r *random) host() {
	if rapid.IntRange(0, 19).Draw(r.t, "no iommu") == 19 {
		r.b.Survey.Machine.IOMMUs = 0
	}
	if r.chance(30, "old kernel") {
		r.b.Survey.Machine.Kernel = "5.10.0-30-amd64"
	}
	r.guard()
	for n := range rapid.IntRange(1, 4).Draw(r.t, "controllers") {
		at := r.b.NVMe(fmt.Sprintf("SN-%d", n), "start", "shelf")
		path := fmt.Sprintf("/srv/shelf%d", n)
		r.at, r.shelf = append(r.at, at), append(r.shelf, path)
		name := r.b.Function(at).NVMe.Namespaces[0].Block
		if r.chance(50, "mounted") {
			r.b.Mount(name+"p2", path)
		}
		switch rapid.IntRange(0, 11).Draw(r.t, "use") { // small numbers are drawn most
		case 7:
			r.b.Mount(name+"p1", fmt.Sprintf("/mnt/other%d", n))
		case 8:
			r.b.Survey.Swaps = append(r.b.Survey.Swaps, facts.Swap{Path: "/dev/" + name + "p1"})
		case 9:
			r.b.Mapper(fmt.Sprintf("vg%d-lv", n), name+"p1")
		case 10:
			r.b.Mount(r.b.Mapper(fmt.Sprintf("vg%d-lv", n), name+"p1"), fmt.Sprintf("/mnt/deep%d", n))
		case 11:
			b := r.b.Block(name + "p1")
			b.Gaps = append(b.Gaps, facts.Gap{Fact: "holders", Path: "sys/block", Reason: "permission denied"})
		}
		if r.chance(15, "shared group") {
			driver := rapid.SampledFrom([]string{"e1000e", "", "vfio-pci", "pci-stub"}).Draw(r.t, "driver")
			if r.b.Survey.Machine.IOMMUs == 0 && driver == "vfio-pci" {
				driver = "" // nothing gets there without an IOMMU
			}
			card := r.b.Card(at, driver)
			if f := r.b.Function(card); f.Driver == "e1000e" && r.chance(50, "up") {
				f.Interfaces = []facts.Interface{{Name: fmt.Sprintf("eth%d", n), Up: true}}
			}
			r.below(r.b.Function(card), n)
			if f := r.b.Function(card); f.Driver == "vfio-pci" || f.Stubbed() && n%2 == 0 {
				f.DriverOverride = f.Driver
			}
			r.cards = append(r.cards, card)
		}
	}
	r.graphics()
	r.ethernet()
}

// graphics adds a card of several functions, one of which may have another driver, be
// gone, or be in use.
func (r *random) graphics() {
	if !r.chance(30, "graphics card") {
		return
	}
	at := r.b.Screen()
	r.screen = &at
	sound := at
	sound.Function = 1
	switch f := r.b.Function(sound); rapid.IntRange(0, 9).Draw(r.t, "sound") {
	case 5:
		f.Driver = ""
	case 6:
		if r.b.Survey.Machine.IOMMUs > 0 {
			f.Driver, f.DriverOverride = "vfio-pci", "vfio-pci"
		}
	case 7:
		f.Interfaces = []facts.Interface{{Name: "eth90", Up: true}}
	case 8:
		f.Device++
	case 9:
		group := 80
		f.Group = &group
	}
}

// below gives a function of the host's something below it: what is built on its
// interface, what is plugged in, the console, or something of an unheard-of class.
func (r *random) below(f *facts.Function, n int) {
	if f.Driver != "e1000e" {
		return
	}
	if len(f.Interfaces) > 0 && r.chance(40, "built on") {
		bridge := fmt.Sprintf("br%d", n)
		f.Interfaces[0].Built = []facts.Built{{Name: bridge, On: f.Interfaces[0].Name, Kind: "bridge"},
			{Name: bridge + ".7", On: bridge, Kind: "vlan", Addresses: []string{fmt.Sprintf("2001:db8::%d/64", n+1)}, Default: true}}
	}
	if r.chance(30, "something below") {
		f.Attached = []facts.Attached{rapid.SampledFrom([]facts.Attached{
			{Name: fmt.Sprintf("%d-2", n+1), Class: "usb", Driver: "usbhid", Product: "Key Works K1"}, {Name: fmt.Sprintf("dma%dchan0", n), Class: "dma"},
			{Name: fmt.Sprintf("fb%d", n), Class: "graphics", Shows: facts.ShowsConsole}, {Name: fmt.Sprintf("odd%d", n), Class: "platform", Driver: "odd"}}).Draw(r.t, "what")}
	}
}

// guard installs none, an outdated or damaged one, or one without its program.
func (r *random) guard() {
	g := &r.b.Survey.Guard
	switch rapid.IntRange(0, 9).Draw(r.t, "guard") {
	case 0:
		g.Program = false
	case 1:
		g.Program, g.Hook, g.Rules = false, "#!/bin/sh\n"+facts.GuardMark+"\n", "{}\n"
	case 2:
		g.Hook, g.Rules = "#!/bin/sh\n"+facts.GuardMark+"\n", "{}\n"
	case 3:
		g.Hook = "#!/bin/sh\n# somebody else's\n"
	}
}

// guests gives libvirt some guests, with right, stale and foreign addresses.
func (r *random) guests() {
	r.lentTo = map[string][]int{}
	for n := range rapid.IntRange(0, 3).Draw(r.t, "known guests") {
		name := fmt.Sprintf("g%d", n)
		image := rapid.SampledFrom(append([]string{"/srv/images/x.qcow2", ""}, r.images()...)).Draw(r.t, "image")
		var lent []facts.Identity
		if r.chance(40, "has a controller") {
			c := rapid.IntRange(0, len(r.at)-1).Draw(r.t, "which")
			record := r.b.Identity(fmt.Sprintf("c%d", c), r.at[c])
			if r.chance(20, "stale") {
				record.Address = r.at[rapid.IntRange(0, len(r.at)-1).Draw(r.t, "stale address")]
			} else {
				r.lentTo[name] = append(r.lentTo[name], c)
			}
			lent = append(lent, record)
		}
		if r.screen != nil && r.chance(40, "has the graphics card") {
			lent = append(lent, r.b.Whole("screen", *r.screen))
		}
		if len(r.virtuals) > 0 && r.chance(40, "has a virtual function") {
			at := rapid.SampledFrom(r.virtuals).Draw(r.t, "which of them")
			if number := r.b.Function(at).VirtualNumber; number != nil {
				record := r.b.Virtually(fmt.Sprintf("v%d", *number), "ether", at)
				if r.chance(20, "stale virtual") {
					record.Address = rapid.SampledFrom(r.virtuals).Draw(r.t, "stale address of a virtual function")
				}
				lent = append(lent, record)
			}
		}
		r.b.Guest(name, image, lent...)
		r.hide(image)
		r.undeclared(name)
	}
}

// undeclared gives a guest something that no layout speaks of: a card, a
// partition of a drive.
func (r *random) undeclared(name string) {
	if len(r.cards) > 0 && r.chance(10, "holds a card") {
		r.b.Hold(name, rapid.SampledFrom(r.cards).Draw(r.t, "card"))
	}
	if len(r.virtuals) > 0 && r.chance(20, "holds a virtual function") {
		r.b.Hold(name, rapid.SampledFrom(r.virtuals).Draw(r.t, "virtual function"))
	}
	if r.ether != nil && r.chance(10, "holds the network card") {
		r.b.Hold(name, *r.ether)
	}
	if r.chance(10, "has a partition") {
		drive := r.b.Function(rapid.SampledFrom(r.at).Draw(r.t, "drive")).NVMe.Namespaces[0].Block
		r.b.Device(name, "<disk type='block' device='disk'><source dev='/dev/"+drive+"p1'/><target dev='vdz' bus='virtio'/></disk>")
	}
}

// hide marks an image as not seen when its filesystem is not mounted.
func (r *random) hide(image string) {
	ix := facts.NewIndex(&r.b.Survey)
	for i := range r.b.Survey.Paths {
		p := &r.b.Survey.Paths[i]
		if p.Named == image && strings.HasPrefix(image, "/srv/shelf") && ix.Holding(image).Path == "/" {
			p.Missing, p.Format = true, ""
		}
	}
}

func (r *random) images() []string {
	var list []string
	for _, path := range r.shelf {
		list = append(list, path+"/guest.qcow2")
	}
	return list
}

func (r *random) layout() *spec.Layout {
	var controllers []spec.Controller
	for n := range r.at {
		if r.chance(75, "declares the mount") {
			controllers = append(controllers, Controller(fmt.Sprintf("c%d", n), fmt.Sprintf("SN-%d", n), "shelf", r.shelf[n]))
		} else {
			controllers = append(controllers, Controller(fmt.Sprintf("c%d", n), fmt.Sprintf("SN-%d", n)))
		}
	}
	if len(r.cards) > 0 && r.chance(30, "names the card") {
		controllers = append(controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}, At: place(),
			Return: spec.Return{Within: 30 * time.Second, OnFailure: "hold", At: place()}})
	}
	if r.screen != nil {
		controllers = append(controllers, ScreenController("screen"))
	}
	controllers = append(controllers, r.virtualControllers()...)
	var guests []spec.Guest
	var names [2][]string
	for n := range rapid.IntRange(1, 3).Draw(r.t, "stated guests") {
		g := r.stated(n)
		guests = append(guests, g)
		if s := rapid.IntRange(0, 2).Draw(r.t, "shift"); s < 2 && !g.Retired {
			names[s] = append(names[s], g.Name)
		}
	}
	return Layout(controllers, guests, Shift("day", names[0]...), Shift("night", names[1]...))
}

func (r *random) stated(n int) spec.Guest {
	var borrows []string
	for c := range r.at {
		if r.chance(40, "borrows") {
			borrows = append(borrows, fmt.Sprintf("c%d", c))
		}
	}
	if r.screen != nil && r.chance(50, "borrows the graphics card") {
		borrows = append(borrows, "screen")
	}
	if r.ether != nil && r.chance(50, "borrows a virtual function") {
		borrows = append(borrows, fmt.Sprintf("v%d", rapid.IntRange(0, 2).Draw(r.t, "number")))
	}
	g := Guest(fmt.Sprintf("g%d", n), borrows...)
	if r.chance(60, "memory") {
		g.Memory = &spec.Memory{SizeBytes: uint64(rapid.IntRange(1, 3).Draw(r.t, "gib")) << 30, At: place()}
	}
	if r.chance(10, "retired") {
		g.Retired = true
	}
	if r.chance(30, "disk") {
		image := rapid.SampledFrom(r.images()).Draw(r.t, "stated image")
		g.Disks = []spec.Disk{{Name: "system", Image: image, Bus: "virtio", At: place()}}
		if facts.NewIndex(&r.b.Survey).Path(image) == nil && r.chance(90, "looked at") {
			r.b.Survey.Paths = append(r.b.Survey.Paths, facts.Path{Named: image, Resolved: image, Format: "qcow2"})
			r.hide(image)
		}
	}
	return g
}

// run starts some guests as libvirt would: those whose controllers can be lent.
func (r *random) run() {
	for _, g := range r.b.Survey.Libvirt.Guests {
		if !r.chance(40, "runs") {
			continue
		}
		free := !r.missing(g)
		lent := map[facts.Address]bool{}
		for _, l := range g.Kept.Hostdevs {
			lent[l.Address] = true
		}
		for _, l := range g.Kept.Hostdevs {
			f := r.b.Function(l.Address)
			ix := facts.NewIndex(&r.b.Survey)
			if parent := f.Parent; f.Virtual > 0 || parent != nil && (lent[*parent] || r.b.Function(*parent).OnVFIO()) {
				free = false
			}
			// What is on a drive that is lent nobody knows, a stand-in host neither.
			free = free && !r.filled[l.Address] && r.b.Survey.Machine.IOMMUs > 0 && f != nil && (f.NVMe != nil || f.Driver != "" && !f.OnVFIO()) && len(ix.LiveUses(l.Address)) == 0 &&
				len(ix.Blockers(*f.Group, lent)) == 0 && !r.shared(ix, *f.Group)
		}
		if !free {
			continue
		}
		if !r.takePages(g.Kept) {
			continue
		}
		for _, l := range g.Kept.Hostdevs {
			r.take(l.Address)
		}
		r.b.Run(g.Name)
		r.resumed(g)
	}
}

// shared tells whether a running guest has anything of an IOMMU group, which the kernel
// gives to one at a time.
func (r *random) shared(ix *facts.Index, group int) bool {
	return slices.ContainsFunc(r.b.Survey.Functions, func(f facts.Function) bool {
		return f.Group != nil && *f.Group == group && ix.Holder(f.Address) != nil
	})
}

// takePages gives a guest that runs its huge pages; false: there are too few.
func (r *random) takePages(d *facts.Definition) bool {
	survey := &r.b.Survey
	holds := survey.Topology.Holds(d)
	if _, _, ok := survey.FreePages().Take(holds, true); !ok {
		return false
	}
	for _, hold := range holds {
		if hold.SizeBytes == 0 || hold.Node == facts.AnyNode {
			return false
		}
		n := survey.Topology.Node(hold.Node)
		if n == nil || n.Pages(hold.SizeBytes) == nil {
			return false
		}
		n.Pages(hold.SizeBytes).Free -= hold.Pages
		for i := range survey.Machine.HugePages {
			if p := &survey.Machine.HugePages[i]; p.SizeBytes == hold.SizeBytes {
				p.Free -= hold.Pages
			}
		}
	}
	return true
}

// resumed: a system that runs has gone on from where it was hibernated.
func (r *random) resumed(g facts.Guest) {
	ix := facts.NewIndex(&r.b.Survey)
	content := ix.Content(movedImage)
	if content == nil || !ix.Has(&g, movedImage) {
		return
	}
	for i := range content.Volumes {
		if v := &content.Volumes[i]; v.Condition == facts.Hibernated {
			v.Condition = facts.Dirty
		}
	}
}

func (r *random) missing(g facts.Guest) bool {
	ix := facts.NewIndex(&r.b.Survey)
	for _, d := range g.Kept.Disks {
		if p := ix.Path(d.Source); p != nil && p.Missing {
			return true
		}
	}
	return false
}

// take puts a function on VFIO and its drives out of sight.
func (r *random) take(at facts.Address) {
	f := r.b.Function(at)
	f.Driver, f.DriverOverride, f.NVMe = "vfio-pci", "vfio-pci", nil
	f.Interfaces, f.Attached, f.Shows = nil, nil, nil
	var rest []facts.Block
	for _, b := range r.b.Survey.Blocks {
		if b.Controller == nil || *b.Controller != at {
			rest = append(rest, b)
			continue
		}
		r.b.Survey.Contents = slices.DeleteFunc(r.b.Survey.Contents, func(c facts.Content) bool { return c.Of == b.Name })
	}
	r.b.Survey.Blocks = rest
}
