package invented

import (
	"fmt"

	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// donorDriver stands for the sha256 of the driver that Bare's donor holds.
const donorDriver = "0a1b2c3d4e5f"

// Bare has every UEFI guest of the host start with firmware that cannot read
// NVMe, and has a donor that can at /fw/donor.fd.
func (b *Builder) Bare() {
	b.Survey.Descriptors = []facts.Descriptor{{File: "60.json", Image: "/fw/bare.fd", UEFI: true,
		Targets: []facts.MachineTarget{{Architecture: "x86_64", Machines: []string{"pc-q35-*"}}}}}
	b.Survey.Firmware = []facts.Firmware{
		{Path: "/fw/bare.fd", SHA256: "ba", NVMe: facts.Absent, Shell: facts.Absent},
		{Path: "/fw/donor.fd", SHA256: "d0", NVMe: facts.Present, Shell: facts.Present, Driver: donorDriver}}
}

// Shim states a shim from Bare's donor.
func Shim(name, as string) spec.Shim {
	return spec.Shim{Name: name, Donor: "/fw/donor.fd", As: as, At: place()}
}

// firmware gives some hosts firmware that cannot read NVMe, and what earlier
// orders have left in the folder for option ROMs.
func (r *random) firmware() {
	if !r.chance(50, "firmware without NVMe") {
		return
	}
	r.b.Bare()
	if r.chance(5, "no folder for ROMs") {
		r.b.Survey.ROMGap = "file does not exist"
		return
	}
	for n, at := range r.at {
		p := facts.PlacedROM{ROM: facts.ROMFor(r.b.Record(fmt.Sprintf("c%d", n), at), donorDriver)}
		switch rapid.IntRange(0, 9).Draw(r.t, "ROM") {
		case 0:
			p.ROM, p.Why = facts.ROM{Path: p.Path}, "it is none"
		case 1:
			p.Device++
		case 2, 3:
		default:
			continue
		}
		r.b.Survey.ROMs = append(r.b.Survey.ROMs, p)
	}
}

// shims states shims for guests that boot from what they borrow.
func (r *random) shims(layout *spec.Layout) {
	for i := range layout.Guests {
		g := &layout.Guests[i]
		if g.Boots == nil || !r.chance(70, "shim") {
			continue
		}
		s := Shim("s-"+g.Name, rapid.SampledFrom([]string{"rom", "rom", "disk"}).Draw(r.t, "as"))
		layout.Shims = append(layout.Shims, s)
		g.Shim = &spec.Ref{Name: s.Name, At: place()}
		if r.chance(50, "UEFI is stated") {
			g.Firmware = "uefi"
		}
	}
}
