package spec

import (
	"time"

	"github.com/hashicorp/hcl/v2/hclsyntax"
)

var (
	controllerForm = &form{
		kind:  kindController,
		named: wrongName,
		once:  []string{"nvme", "pci", "drive", "return"},
	}
	nvmeForm = &form{
		kind:   "nvme",
		needs:  []string{"serial"},
		allows: []string{"model"},
	}
	pciForm = &form{
		kind:   "pci",
		needs:  []string{"vendor", "device"},
		allows: []string{"functions", "slot"},
	}
	// slotForm is that of pci which states functions, and with them what each is.
	slotForm = &form{
		kind:   "pci",
		needs:  []string{"functions"},
		allows: []string{"vendor", "device", "slot"},
	}
	returnForm = &form{
		kind:   "return",
		allows: []string{"within", "on_failure"},
		many:   []string{"mount"},
	}
	mountForm = &form{
		kind:   "mount",
		named:  wrongPartition,
		needs:  []string{"at"},
		allows: []string{"options"},
	}
)

// How a return goes when the layout does not say.
const (
	returnWithin = 30 * time.Second
	onFailure    = "hold"
)

func (r *reader) decodeController(source *hclsyntax.Block) Controller {
	b := r.open(source, controllerForm, "")
	c := Controller{
		Name:   b.name,
		Return: Return{Within: returnWithin, OnFailure: onFailure},
		At:     b.at,
	}
	if nvme := b.one("nvme"); nvme != nil {
		c.NVMe = r.decodeNVMe(nvme, b.title)
	}
	if pci := b.one("pci"); pci != nil {
		c.PCI = r.decodePCI(pci, b.title)
	}
	switch {
	case c.NVMe == nil && c.PCI == nil:
		r.refuse(source.DefRange(), "controller needs an identity", "Nothing says which device it is.",
			"add nvme { serial = \"…\" }, or pci { } with vendor and device")
	case c.NVMe != nil && c.PCI != nil:
		r.refuse(b.one("pci").DefRange(), "controller has two identities",
			"An NVMe controller is known by its serial, any other by vendor and device.", "remove nvme or pci")
	}
	if drive := b.one("drive"); drive != nil {
		c.Drive = r.decodeDrive(drive, b.title)
	}
	if ret := b.one("return"); ret != nil {
		c.Return = r.decodeReturn(ret, b.title)
	}
	return c
}

func (r *reader) decodeNVMe(source *hclsyntax.Block, inside string) *NVMeIdentity {
	b := r.open(source, nvmeForm, inside)
	return &NVMeIdentity{
		Serial: b.checked("serial", wrongSerial),
		Model:  b.checked("model", wrongModel),
		At:     b.at,
	}
}

func (r *reader) decodeReturn(source *hclsyntax.Block, inside string) Return {
	b := r.open(source, returnForm, inside)
	ret := Return{
		Within:    b.within(returnWithin),
		OnFailure: b.choice("on_failure", "hold", "alarm"),
		At:        b.at,
	}
	if ret.OnFailure == "" {
		ret.OnFailure = onFailure
	}
	for _, m := range b.each("mount") {
		ret.Mounts = append(ret.Mounts, r.decodeMount(m, inside))
	}
	return ret
}

func (r *reader) decodeMount(source *hclsyntax.Block, inside string) Mount {
	b := r.open(source, mountForm, inside)
	return Mount{
		Partition: b.name,
		Path:      b.checked("at", wrongMountPath),
		Options:   Hardened(b.texts("options", wrongMountOption)),
		At:        b.at,
	}
}
