package spec

import (
	"fmt"
	"regexp"
	"strings"

	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty"
)

// mostFunctions is how many functions a slot has room for (PCI Local Bus
// Specification 3.0, 3.2.2.3.4).
const mostFunctions = 8

func (r *reader) decodePCI(source *hclsyntax.Block, inside string) *PCIIdentity {
	if source.Body.Attributes["functions"] != nil {
		return r.decodeSlot(source, inside)
	}
	b := r.open(source, pciForm, inside)
	return &PCIIdentity{
		Vendor:    pciID(b.checked("vendor", wrongPCI)),
		Device:    pciID(b.checked("device", wrongPCI)),
		Subsystem: strings.ToLower(b.checked("subsystem", wrongSubsystem)),
		Slot:      b.checked("slot", wrongSlot),
		Function:  b.number("function", 0, mostFunctions-1),
		Serial:    strings.ToLower(b.checked("device_serial", wrongDeviceSerial)),
		At:        b.at,
	}
}

func (r *reader) decodeSlot(source *hclsyntax.Block, inside string) *PCIIdentity {
	b := r.open(source, slotForm, inside)
	for _, name := range []string{"vendor", "device", "function"} {
		if a := b.Body.Attributes[name]; a != nil {
			r.refuse(a.NameRange, name+" stands beside functions", "They say of each function what it is, by its number.", "remove "+name)
		}
	}
	id := &PCIIdentity{
		Functions: b.kinds("functions"),
		Subsystem: strings.ToLower(b.checked("subsystem", wrongSubsystem)),
		Slot:      b.checked("slot", wrongSlot),
		Serial:    strings.ToLower(b.checked("device_serial", wrongDeviceSerial)),
		At:        b.at,
	}
	if len(id.Functions) > 0 {
		id.Vendor, id.Device = id.Functions[0].Vendor, id.Functions[0].Device
	}
	return id
}

var deviceSerialForm = regexp.MustCompile(`^[0-9a-fA-F]{2}(-[0-9a-fA-F]{2}){7}$`)

// wrongDeviceSerial judges PCI Express device serial numbers.
func wrongDeviceSerial(serial string) string {
	if !deviceSerialForm.MatchString(serial) {
		return "a device serial number has eight pairs of hexadecimal digits, as lspci -vv prints it: \"52-54-00-ff-ff-12-34-56\""
	}
	return ""
}

var kindForm = regexp.MustCompile(`^[0-9a-fA-F]{4}:[0-9a-fA-F]{4}$`)

// wrongSubsystem judges what the maker of a card has numbered it.
func wrongSubsystem(kind string) string {
	if !kindForm.MatchString(kind) {
		return "a subsystem has a vendor and a device number, as lspci -v -n prints them: \"1043:8769\""
	}
	return ""
}

// kinds reads the functions of a slot, by number. Two may be of one kind, as the
// ports of a network card are.
func (b *block) kinds(name string) []Kind {
	const form = `write each as lspci -n prints it: "10de:2484"`
	var all []Kind
	for _, a := range b.list(name, "a list of texts") {
		switch {
		case a.IsNull() || a.Type() != cty.String:
			a.refuseType("a list of texts", form)
		case !kindForm.MatchString(a.AsString()):
			a.refuse(fmt.Sprintf("%s: %q is not usable", name, a.AsString()), "A function is told by vendor and device number.", form)
		default:
			vendor, device, _ := strings.Cut(a.AsString(), ":")
			all = append(all, Kind{pciID(vendor), pciID(device)})
		}
	}
	if !b.r.isBroken(b.at, name) && (len(all) < 2 || len(all) > mostFunctions) {
		b.r.refuse(b.Body.Attributes[name].Expr.Range(), fmt.Sprintf("%s cannot have %d", name, len(all)),
			"A slot with several functions has 2 to 8 of them.", "state a lone function by vendor and device")
	}
	return all
}

// kinds writes functions as the layout states them.
func kinds(list []Kind) []string {
	var texts []string
	for _, k := range list {
		texts = append(texts, k.String())
	}
	return texts
}
