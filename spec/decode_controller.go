package spec

import (
	"fmt"
	"time"

	"github.com/hashicorp/hcl/v2/hclsyntax"
)

var (
	controllerForm = &form{
		kind:   kindController,
		named:  wrongName,
		allows: []string{"virtual_functions"},
		once:   []string{"nvme", "pci", "virtual", "drive", "return"},
	}
	nvmeForm = &form{
		kind:   "nvme",
		needs:  []string{"serial"},
		allows: []string{"model"},
	}
	pciForm = &form{
		kind:   "pci",
		needs:  []string{"vendor", "device"},
		allows: []string{"functions", "subsystem", "slot", "function", "device_serial"},
	}
	// slotForm is that of pci which states functions, and with them what each is.
	slotForm = &form{
		kind:   "pci",
		needs:  []string{"functions"},
		allows: []string{"vendor", "device", "function", "subsystem", "slot", "device_serial"},
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
		Name:             b.name,
		VirtualFunctions: b.number("virtual_functions", 0, MostVirtual),
		Return:           Return{Within: returnWithin, OnFailure: onFailure},
		At:               b.at,
	}
	r.decodeIdentity(b, &c)
	if drive := b.one("drive"); drive != nil {
		c.Drive = r.decodeDrive(drive, b.title)
	}
	if ret := b.one("return"); ret != nil {
		c.Return = r.decodeReturn(ret, b.title)
	}
	return c
}

// decodeIdentity reads the one block that says which function it is.
func (r *reader) decodeIdentity(b block, c *Controller) {
	if nvme := b.one("nvme"); nvme != nil {
		c.NVMe = r.decodeNVMe(nvme, b.title)
	}
	if pci := b.one("pci"); pci != nil {
		c.PCI = r.decodePCI(pci, b.title)
	}
	if virtual := b.one("virtual"); virtual != nil {
		c.Virtual = r.decodeVirtual(virtual, b.title)
	}
	var stated []*hclsyntax.Block
	for _, kind := range []string{"nvme", "pci", "virtual"} {
		if one := b.one(kind); one != nil {
			stated = append(stated, one)
		}
	}
	switch {
	case len(stated) == 0:
		r.refuse(b.DefRange(), "controller needs an identity", "Nothing says which device it is.",
			"add nvme { serial = \"…\" }, or pci { } with vendor and device, or virtual { } with of and number")
	case len(stated) > 1:
		r.refuse(stated[1].DefRange(), "controller has two identities",
			"An NVMe controller is known by its serial, a virtual function by what makes it, any other by vendor and device.",
			fmt.Sprintf("remove %s or %s", stated[0].Type, stated[1].Type))
	}
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
