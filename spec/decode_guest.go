package spec

import (
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2/hclsyntax"
)

var (
	guestForm = &form{
		kind:   kindGuest,
		named:  wrongLibvirtName,
		allows: []string{"system", "firmware", "borrows", "boots", "boot_entry", "shim", "retired"},
		once:   []string{"cpu", "memory", "stop"},
		many:   []string{"disk", "network"},
	}
	cpuForm = &form{
		kind:   "cpu",
		needs:  []string{"count"},
		allows: []string{"near"},
	}
	memoryForm = &form{
		kind:   "memory",
		needs:  []string{"size"},
		allows: []string{"huge_pages"},
	}
	stopForm = &form{
		kind:  "stop",
		needs: []string{"within"},
	}
)

const (
	stopWithin = 60 * time.Second
	maxCPUs    = 4096 // KVM_MAX_VCPUS of x86 at most; arch/x86/include/asm/kvm_host.h
	kibibyte   = 1024 // libvirt counts memory in them, and would round
)

func (r *reader) decodeGuest(source *hclsyntax.Block) Guest {
	b := r.open(source, guestForm, "")
	g := Guest{
		Name:     b.name,
		System:   b.choice("system", "windows", "linux"),
		Firmware: b.firmware(),
		Borrows:  b.refs("borrows", kindController),
		Boots:    b.ref("boots", kindController),
		Shim:     b.ref("shim", kindShim),
		Entry:    b.loader(),
		Stop:     stopWithin,
		Retired:  b.flag("retired"),
		At:       b.at,
	}
	if cpu := b.one("cpu"); cpu != nil {
		g.CPU = r.decodeCPU(cpu, b.title)
	}
	if memory := b.one("memory"); memory != nil {
		g.Memory = r.decodeMemory(memory, b.title)
	}
	if stop := b.one("stop"); stop != nil {
		opened := r.open(stop, stopForm, b.title)
		g.Stop = opened.within(stopWithin)
	}
	for _, disk := range b.each("disk") {
		g.Disks = append(g.Disks, r.decodeDisk(disk, b.title))
	}
	for _, network := range b.each("network") {
		g.Networks = append(g.Networks, r.decodeNetwork(network, b.title))
	}
	return g
}

// firmware reads "uefi", "bios" or the path of a firmware image.
func (b *block) firmware() string {
	text, a, ok := b.text("firmware")
	switch {
	case !ok:
		return ""
	case text == "uefi", text == "bios":
		return text
	case !strings.HasPrefix(text, "/"):
		a.refuse("firmware cannot be "+`"`+text+`"`, "It can be \"uefi\", \"bios\" or the path of an image, which begins with /.", "")
		return ""
	}
	return b.checked("firmware", wrongFile)
}

// loader reads the path of a program on an EFI system partition.
func (b *block) loader() *Loader {
	path := b.checked("boot_entry", wrongLoader)
	if path == "" {
		return nil
	}
	return &Loader{path, placeOf(b.Body.Attributes["boot_entry"].Expr.Range())}
}

func (r *reader) decodeCPU(source *hclsyntax.Block, inside string) *CPU {
	b := r.open(source, cpuForm, inside)
	return &CPU{
		Count: b.count("count", maxCPUs),
		Near:  b.ref("near", kindController),
		At:    b.at,
	}
}

func (r *reader) decodeMemory(source *hclsyntax.Block, inside string) *Memory {
	b := r.open(source, memoryForm, inside)
	return &Memory{
		SizeBytes: b.size(kibibyte),
		HugePages: b.stance("huge_pages"),
		At:        b.at,
	}
}
