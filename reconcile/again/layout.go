package again

import (
	"fmt"
	"slices"
	"time"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
	"lendkeep/spec"
)

// Layout gives a layout that means on a twin what the given one means on its host.
// Said tells, a sentence each, what of it is stated otherwise there, or not at all.
func Layout(of *spec.Layout, host, inside *facts.Index, m *twin.Machine) (there *spec.Layout, said []string) {
	l := *of
	a := &again{laid: assess.NewCase(of, host, nil), inside: inside, twin: m}
	l.Host.Alarm = nil // of the host's own programs
	l.Controllers = slices.DeleteFunc(slices.Clone(of.Controllers), a.absent)
	for i := range l.Controllers {
		a.controller(&l.Controllers[i])
	}
	l.Guests = slices.Clone(of.Guests)
	for i := range l.Guests {
		a.borrows(&l.Guests[i], &l)
		a.guest(&l.Guests[i])
	}
	if len(l.Shims) > 0 {
		a.say("no shims: the twin's firmware reads NVMe drives")
		l.Shims = nil
	}
	return &l, a.said
}

type again struct {
	laid   *assess.Case
	inside *facts.Index
	twin   *twin.Machine
	said   []string
}

func (a *again) say(format string, values ...any) {
	a.said = append(a.said, fmt.Sprintf(format, values...))
}

// absent tells whether a controller that the host has is not on the twin.
func (a *again) absent(c spec.Controller) bool {
	found := a.laid.Found(c.Name)
	switch {
	case c.Virtual != nil:
		a.say("without controller %s: the twin's functions make no virtual ones", c.Name)
		return true
	case found.Function != nil && a.counterpart(found.Function.Address) == nil:
		a.say("without controller %s: the twin has no room for it", c.Name)
		return true
	default:
		return false
	}
}

// borrows leaves out what a guest cannot borrow there.
func (a *again) borrows(g *spec.Guest, of *spec.Layout) {
	gone := func(r spec.Ref) bool { return of.Controller(r.Name) == nil }
	g.Borrows = slices.DeleteFunc(slices.Clone(g.Borrows), gone)
	g.Disks = slices.DeleteFunc(slices.Clone(g.Disks), func(d spec.Disk) bool { return d.CopyFrom != nil && gone(*d.CopyFrom) })
	if g.Boots != nil && gone(*g.Boots) {
		g.Boots = nil
	}
	if g.CPU != nil && g.CPU.Near != nil && gone(*g.CPU.Near) {
		cpu := *g.CPU
		cpu.Near = nil
		g.CPU = &cpu
	}
}

// controller states what it is known by on the twin. What is found on neither is left
// as it is, so that planning says so.
func (a *again) controller(c *spec.Controller) {
	if c.VirtualFunctions != nil {
		a.say("controller %s: no virtual functions are made", c.Name)
		c.VirtualFunctions = nil
	}
	if c.NVMe != nil && c.NVMe.Model != "" {
		a.say("controller %s: by its serial alone, not its model", c.Name)
		nvme := *c.NVMe
		nvme.Model = ""
		c.NVMe = &nvme
	}
	if c.PCI != nil {
		a.kind(c)
	}
	if c.Drive != nil && c.Drive.CopyOf != "" && !a.twin.Image(c.Drive.CopyOf) {
		a.say("controller %s: no system is moved to its drive: the twin does not have its image", c.Name)
		drive := *c.Drive
		drive.CopyOf, drive.CopyFormat = "", ""
		c.Drive = &drive
	}
}

// kind gives a controller the numbers that it has on the twin, and the slot where one is
// stated or others there are of the same kind.
func (a *again) kind(c *spec.Controller) {
	found := a.laid.Found(c.Name).Function
	if found == nil {
		return
	}
	f := a.counterpart(found.Address)
	if f == nil {
		return
	}
	was := c.PCI
	is := spec.PCIIdentity{Vendor: f.Vendor, Device: f.Device, At: was.At}
	alike := slices.DeleteFunc(slices.Clone(a.inside.Survey.Functions), func(o facts.Function) bool { return o.Vendor != f.Vendor || o.Device != f.Device })
	if was.Slot != "" || len(alike) > 1 {
		is.Slot = f.Slot
	}
	if was.Function != nil {
		number := int(f.Address.Function)
		is.Function = &number
	}
	if len(was.Functions) > 0 {
		for _, address := range a.laid.Found(c.Name).Identity().Addresses() {
			if part := a.counterpart(address); part != nil {
				is.Functions = append(is.Functions, spec.Kind{Vendor: part.Vendor, Device: part.Device})
			}
		}
	}
	c.PCI = &is
	if there, here := called(&is), called(was); there != here {
		a.say("controller %s: %s, not %s", c.Name, there, here)
	}
}

// called tells what a card is known by.
func called(p *spec.PCIIdentity) string {
	if p.Slot == "" {
		return fmt.Sprintf("%s:%s", p.Vendor, p.Device)
	}
	return fmt.Sprintf("%s:%s in slot %q", p.Vendor, p.Device, p.Slot)
}

// counterpart gives what on the twin stands for a function of the host; nil: nothing.
func (a *again) counterpart(of facts.Address) *facts.Function {
	at, there := a.twin.Place(of)
	if !there {
		return nil
	}
	return a.inside.Function(at)
}

// guest states what the twin has of a guest.
func (a *again) guest(g *spec.Guest) {
	drop := func(is bool, what string) bool {
		if is {
			a.say("guest %s: without %s", g.Name, what)
		}
		return is
	}
	if drop(g.Shim != nil, "its shim") {
		g.Shim = nil
	}
	if drop(g.Entry != nil, "its boot entry: the stand-in is where firmware looks for it") {
		g.Entry = nil
	}
	if drop(len(g.Networks) > 0, "its networks, which the twin does not have") {
		g.Networks = nil
	}
	if g.Firmware != "" && g.Firmware != "uefi" && g.Firmware != "bios" {
		a.say("guest %s: the twin's own UEFI firmware", g.Name)
		g.Firmware = "uefi"
	}
	g.Disks = slices.DeleteFunc(slices.Clone(g.Disks), func(d spec.Disk) bool {
		return drop(d.CopyFrom == nil && d.Image != "" && !a.twin.Image(d.Image) && d.SizeBytes == 0, "disk "+d.Name+", whose image the twin does not have")
	})
	if g.Stop < ShutsDownWithin {
		a.say("guest %s: %s to shut down, not %s", g.Name, ShutsDownWithin, g.Stop)
		g.Stop = ShutsDownWithin
	}
	a.room(g)
}

// ShutsDownWithin is how long a guest may take on a twin: without KVM its firmware alone
// takes most of two minutes until what it starts listens.
const ShutsDownWithin = 6 * time.Minute

// room bounds what a guest has by what the twin gives to one.
func (a *again) room(g *spec.Guest) {
	cpus, memoryBytes := a.twin.MostOfGuest()
	if g.CPU != nil && g.CPU.Count > cpus {
		a.say("guest %s: %d processors, not %d", g.Name, cpus, g.CPU.Count)
		cpu := *g.CPU
		cpu.Count = cpus
		g.CPU = &cpu
	}
	if g.Memory == nil {
		return
	}
	memory := *g.Memory
	if memory.SizeBytes > memoryBytes {
		a.say("guest %s: %s of memory, not %s", g.Name, facts.Size(memoryBytes), facts.Size(memory.SizeBytes))
		memory.SizeBytes = memoryBytes
	}
	if memory.HugePages != nil {
		a.say("guest %s: no huge pages, of which the twin reserves none", g.Name)
		memory.HugePages, memory.PageBytes = nil, 0
	}
	g.Memory = &memory
}
