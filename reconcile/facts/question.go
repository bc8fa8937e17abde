package facts

// Question says what a survey is asked for, where not all of a host matters. What
// is not read for it has GapAll: it is known to be there, and nothing else of it.
type Question struct {
	Functions   []Address  // PCI functions, by where they are; and with them their IOMMU groups
	Controllers []Identity // controllers, by what they are, wherever that is now
	Slots       bool       // in which physical slots they are
	Paths       []Path     // what somebody names, with where it leads: devices among it matter
	Writes      []string   // those of the paths that may be written
}

// GapAll is the fact of a gap that says that nothing was read of a function or
// block device: it was not asked for.
const GapAll = "anything"
