package spec

import (
	"fmt"
	"math/bits"
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty"
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
	m := &Memory{SizeBytes: b.size(kibibyte), At: b.at}
	m.HugePages, m.PageBytes = b.pages(m.SizeBytes)
	return m
}

// pages reads whether memory lies in huge pages: true, false, or the size of one.
func (b *block) pages(memoryBytes uint64) (in *bool, pageBytes uint64) {
	const form = "write true, mib(2) or gib(1)"
	a, ok := b.get("huge_pages")
	switch {
	case !ok:
		return nil, 0
	case a.Type() == cty.Bool:
		return b.stance("huge_pages"), 0
	case a.Type() != cty.Number:
		a.refuseType("true, false or the size of a page", form)
		return nil, 0
	}
	number, isWhole := whole(a.Value)
	pageBytes, _ = number.Uint64()
	switch {
	case !isWhole || number.Sign() < 0 || pageBytes < leastBytes || bits.OnesCount64(pageBytes) != 1:
		a.refuse("no huge page has that size", fmt.Sprintf("It is %s bytes; most hosts have pages of 2 MiB and of 1 GiB.", number.Text('g', 20)), form)
		return nil, 0
	case memoryBytes%pageBytes != 0:
		a.refuse("the memory is not whole huge pages", fmt.Sprintf("It is %d bytes, a page has %d.", memoryBytes, pageBytes), "change size to a multiple of the page, or take smaller pages")
		return nil, 0
	}
	yes := true
	return &yes, pageBytes
}
