package spec

import (
	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/hashicorp/hcl/v2/hclwrite"
	"github.com/zclconf/go-cty/cty"
)

// writer adds to one body of a file that is written.
type writer struct{ *hclwrite.Body }

// block begins a block, with an empty line before it where something stands there.
func (w writer) block(kind string, names ...string) writer {
	if len(w.Attributes())+len(w.Blocks()) > 0 {
		w.AppendNewline()
	}
	return writer{w.AppendNewBlock(kind, names).Body()}
}

func (w writer) text(name, value string) {
	if value != "" {
		w.SetAttributeValue(name, cty.StringVal(value))
	}
}

func (w writer) texts(name string, values []string) {
	var list []hclwrite.Tokens
	for _, v := range values {
		list = append(list, hclwrite.TokensForValue(cty.StringVal(v)))
	}
	w.list(name, list)
}

func (w writer) list(name string, list []hclwrite.Tokens) {
	if len(list) > 0 {
		w.SetAttributeRaw(name, hclwrite.TokensForTuple(list))
	}
}

func references(kind string, refs []Ref) []hclwrite.Tokens {
	var list []hclwrite.Tokens
	for _, r := range refs {
		list = append(list, referenceTokens(kind, r.Name))
	}
	return list
}

// referenceTokens writes a reference as reference does.
func referenceTokens(kind, name string) hclwrite.Tokens {
	var step hcl.Traverser = hcl.TraverseAttr{Name: name}
	if !hclsyntax.ValidIdentifier(name) {
		step = hcl.TraverseIndex{Key: cty.StringVal(name)}
	}
	return hclwrite.TokensForTraversal(hcl.Traversal{hcl.TraverseRoot{Name: kind}, step})
}

// size writes a number of bytes in the largest unit that gives a whole number.
func (w writer) size(bytes uint64) {
	const gib, mib, kib = 1 << 30, 1 << 20, 1 << 10
	call := func(unit string, of uint64) {
		w.SetAttributeRaw("size", hclwrite.TokensForFunctionCall(unit, hclwrite.TokensForValue(cty.NumberUIntVal(bytes/of))))
	}
	switch {
	case bytes%gib == 0:
		call("gib", gib)
	case bytes%mib == 0:
		call("mib", mib)
	case bytes%kib == 0:
		call("kib", kib)
	default:
		w.SetAttributeValue("size", cty.NumberUIntVal(bytes))
	}
}

func (w writer) host(h *Host) {
	b := w.block("host", h.Name)
	if h.Libvirt != ownLibvirt {
		b.text("libvirt", h.Libvirt)
	}
}

func (w writer) controller(c *Controller) {
	b := w.block(kindController, c.Name)
	if c.VirtualFunctions != nil {
		b.SetAttributeValue("virtual_functions", cty.NumberIntVal(int64(*c.VirtualFunctions)))
	}
	if v := c.Virtual; v != nil {
		virtual := b.block("virtual")
		virtual.SetAttributeRaw("of", referenceTokens(kindController, v.Of.Name))
		virtual.SetAttributeValue("number", cty.NumberIntVal(int64(v.Number)))
	}
	if c.NVMe != nil {
		nvme := b.block("nvme")
		nvme.text("serial", c.NVMe.Serial)
		nvme.text("model", c.NVMe.Model)
	}
	if c.PCI != nil {
		pci := b.block("pci")
		if len(c.PCI.Functions) > 0 {
			pci.texts("functions", kinds(c.PCI.Functions))
		} else {
			pci.text("vendor", c.PCI.Vendor.String())
			pci.text("device", c.PCI.Device.String())
		}
		pci.text("subsystem", c.PCI.Subsystem)
		pci.text("slot", c.PCI.Slot)
		if c.PCI.Function != nil {
			pci.SetAttributeValue("function", cty.NumberIntVal(int64(*c.PCI.Function)))
		}
		pci.text("device_serial", c.PCI.Serial)
	}
	if c.Drive != nil {
		drive := b.block("drive")
		for _, p := range c.Drive.Partitions {
			drive.partition(p)
		}
	}
	if len(c.Return.Mounts) > 0 {
		home := b.block("return")
		for _, m := range c.Return.Mounts {
			home.mount(m)
		}
	}
}

func (w writer) partition(p Partition) {
	b := w.block("partition", p.Name)
	if p.Rest {
		b.SetAttributeRaw("size", hclwrite.TokensForFunctionCall("rest"))
	} else {
		b.size(p.SizeBytes)
	}
	b.text("format", p.Format)
}

func (w writer) mount(m Mount) {
	b := w.block("mount", m.Partition)
	b.text("at", m.Path)
	b.texts("options", unhardened(m.Options))
}

func (w writer) guest(g *Guest) {
	b := w.block(kindGuest, g.Name)
	b.list("borrows", references(kindController, g.Borrows))
	if g.Boots != nil {
		b.SetAttributeRaw("boots", referenceTokens(kindController, g.Boots.Name))
	}
	if g.CPU != nil {
		b.block("cpu").SetAttributeValue("count", cty.NumberIntVal(int64(g.CPU.Count)))
	}
	if g.Memory != nil {
		b.block("memory").size(g.Memory.SizeBytes)
	}
	for _, d := range g.Disks {
		b.disk(d)
	}
}

func (w writer) disk(d Disk) {
	b := w.block("disk", d.Name)
	b.text("image", d.Image)
	b.text("bus", d.Bus)
}

func (w writer) shift(s *Shift) {
	// One without guests says so too.
	w.block(kindShift, s.Name).SetAttributeRaw("guests", hclwrite.TokensForTuple(references(kindGuest, s.Guests)))
}
