package facts

// Express says what a PCI Express function is (PCI Express Base Specification 4.0,
// 7.5.3.2: Device/Port Type), in the words of lspci.
type Express string

// The types that the specification has.
const (
	Endpoint           Express = "Endpoint"
	LegacyEndpoint     Express = "Legacy Endpoint"
	RootPort           Express = "Root Port"
	UpstreamPort       Express = "Upstream Port"
	DownstreamPort     Express = "Downstream Port"
	ToPCI              Express = "PCI-Express to PCI/PCI-X Bridge"
	FromPCI            Express = "PCI/PCI-X to PCI-Express Bridge"
	IntegratedEndpoint Express = "Root Complex Integrated Endpoint"
	EventCollector     Express = "Root Complex Event Collector"
)

// ACS are the Access Control Services of a function: by them a port keeps what is
// below it, and a card its functions, from reaching each other past the IOMMU (PCI
// Express Base Specification 4.0, 6.12 and 7.7.8).
type ACS struct {
	Can uint16 `json:"can"` // bits of the ACS Capability Register: 0 SrcValid, 1 TransBlk, 2 ReqRedir, 3 CmpltRedir, 4 UpstreamFwd, 5 EgressCtrl, 6 DirectTrans
	On  uint16 `json:"on"`  // the same bits of the ACS Control Register: what is switched on
}

// separating are those that the kernel asks for, in the words of lspci (Linux
// drivers/iommu/iommu.c, REQ_ACS_FLAGS).
var separating = []struct {
	bit  uint16
	name string
}{{1 << 0, "SrcValid"}, {1 << 2, "ReqRedir"}, {1 << 3, "CmpltRedir"}, {1 << 4, "UpstreamFwd"}}

// Off names what is needed to keep functions apart, and is switched off. What cannot
// be switched is taken for on (Linux drivers/pci/pci.c, pci_acs_flags_enabled).
func (a ACS) Off() []string {
	var list []string
	for _, one := range separating {
		if a.Can&one.bit != 0 && a.On&one.bit == 0 {
			list = append(list, one.name)
		}
	}
	return list
}

// Apart tells whether a port keeps what is below it, or another function itself, from
// reaching its neighbours: by what it says, as the kernel judges it (Linux
// drivers/pci/pci.c, pci_acs_enabled). Kernels know some that do without saying so, and
// some that do not although they say so (drivers/pci/quirks.c, pci_dev_acs_enabled);
// the groups tell of those.
func (f Function) Apart() Held {
	if f.Gap("acs") != nil || f.Gap("express") != nil || f.Gap("header_type") != nil {
		return Unknown
	}
	switch f.Express {
	case "", ToPCI, FromPCI, EventCollector:
		return Absent // the rules of old PCI, where all see all
	case Endpoint, LegacyEndpoint, IntegratedEndpoint, UpstreamPort:
		if !f.MultiFunction {
			return Present
		}
	case RootPort, DownstreamPort:
	default:
		return Unknown
	}
	if f.ACS == nil || len(f.ACS.Off()) > 0 {
		return Absent
	}
	return Present
}

// Joining gives what joins a function to the rest of its IOMMU group: of the ports and
// bridges above it, and of the functions of its own slot, those in the group that keep
// nothing apart, or of which that is not known (Linux drivers/iommu/iommu.c,
// pci_device_group). None where something else joins them.
func (ix *Index) Joining(f *Function) []*Function {
	if f.Group == nil {
		return nil
	}
	var list []*Function
	add := func(other *Function) {
		if other.Group != nil && *other.Group == *f.Group && other.Apart() != Present {
			list = append(list, other)
		}
	}
	for _, port := range ix.Upstream(f.Address) {
		add(port)
	}
	if f.Apart() == Present {
		return list
	}
	for _, sibling := range ix.Siblings(f.Address) {
		add(sibling)
	}
	return list
}
