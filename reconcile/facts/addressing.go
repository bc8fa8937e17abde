package facts

// Addressing is what a definition says of the addresses that its guest has, and
// of how much memory may stay in place for it.
type Addressing struct {
	Bits       int    `json:"bits,omitempty"`        // width of the guest's physical addresses, <maxphysaddr mode='emulate'>; 0: not stated
	HostBits   bool   `json:"host_bits,omitempty"`   // the width is the host's: <maxphysaddr mode='passthrough'>
	HostMaker  bool   `json:"host_maker,omitempty"`  // the guest sees the processor of the host's maker: <cpu mode='host-...'>
	WindowMiB  uint64 `json:"window_mib,omitempty"`  // what OVMF is told to keep for large regions, opt/ovmf/X-PciMmio64Mb; 0: nothing
	LimitBytes uint64 `json:"limit_bytes,omitempty"` // <memtune><hard_limit>, of all that QEMU may have, and have locked; 0: none
	IOMMU      bool   `json:"iommu,omitempty"`       // the guest has one of its own
}
