package invented

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Large gives a host of 250 controllers in 50 groups, 200 guests and 1,000
// mounts, times the factor, and a layout that states all controllers and all
// guests.
func Large(factor int) (facts.Survey, *spec.Layout) {
	b := NewBuilder()
	b.Survey.Machine.MemoryBytes = 1 << 50
	var controllers []spec.Controller
	var guests []spec.Guest
	for n := range 250 * factor {
		serial := fmt.Sprintf("SN-%06d", n)
		at := b.NVMe(serial, "start", "shelf", "three", "four")
		group := 100 + n/5
		b.Function(at).Group = &group
		name := fmt.Sprintf("c%d", n)
		path := fmt.Sprintf("/srv/shelf%d", n)
		drive := b.Function(at).NVMe.Namespaces[0].Block
		controllers = append(controllers, Controller(name, serial, "shelf", path))
		if n%5 == 0 {
			b.Mount(drive+"p2", path)
			continue // this one of the five is the host's
		}
		b.Function(at).Driver = ""
	}
	for n := len(b.Survey.Mounts); n < 1000*factor; n++ {
		b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: facts.Devno{Major: 0, Minor: uint32(n)}, Root: "/", Path: fmt.Sprintf("/run/m%d", n), Kind: "tmpfs", Source: "tmpfs"})
	}
	for n := range 200 * factor {
		name := fmt.Sprintf("g%d", n)
		b.Guest(name, fmt.Sprintf("/srv/shelf%d/g.qcow2", n*5%(250*factor)))
		g := Guest(name)
		if n < 50*factor {
			g = Guest(name, fmt.Sprintf("c%d", n*5))
		}
		g.Memory = &spec.Memory{SizeBytes: 2 << 30, At: place()}
		guests = append(guests, g)
	}
	return b.Survey, Layout(controllers, guests, Shift("none"))
}

// Parted gives every partition of a host a place and a size, one after the other, as
// builders do not.
func Parted(survey facts.Survey) facts.Survey {
	for i := range survey.Blocks {
		if b := &survey.Blocks[i]; b.Partition != nil {
			b.Partition.StartBytes, b.SizeBytes = uint64(1+400*(b.Partition.Number-1))<<20, 400<<20
		}
	}
	return survey
}
