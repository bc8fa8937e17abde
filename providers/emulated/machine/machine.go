// Package machine describes an emulated host as a value: which controllers it
// has and how they sit under its IOMMU. It knows nothing of files, processes or
// images. Start at Machine; its Arguments are the words that QEMU is started with.
package machine

// Machine is one emulated host. The zero sizes stand for 2560 MiB and 2 CPUs,
// which is what libvirtd and one small guest need.
type Machine struct {
	MemoryMiB int
	CPUs      int
	Nodes     int    // NUMA nodes, up to 2, each with its share of memory and CPUs; 0: one
	Own       Card   // the drive the host itself runs from; always alone behind a port
	Seats     []Seat // in the order of the root bus, so a seat put in front moves the addresses of those behind
}

// Seat is one place on the root bus of a node and what is plugged into it.
type Seat struct {
	Way   Way
	Node  int // NUMA node; those after the first have a root bus of their own
	Cards []Card
}

// Way is how the cards of a seat are wired, which decides their IOMMU groups.
type Way string

// The ways a seat can be wired.
const (
	// Alone: every card behind a root port of its own with ACS, each in a
	// group of its own (the port is in another).
	Alone Way = ""
	// SharedSlot: the root ports are functions of one slot and have no ACS,
	// so that ports and cards make one group.
	SharedSlot Way = "shared slot"
	// MultiFunction: the cards are the functions of one device behind one
	// root port, and make one group.
	MultiFunction Way = "multi-function"
	// Switched: a PCI Express switch below a root port, one downstream port
	// for each card. QEMU's downstream ports have no ACS, so each is in the
	// group of the card below it.
	Switched Way = "switched"
	// Conventional: a bridge to conventional PCI below a root port; bridge and
	// cards make one group.
	Conventional Way = "conventional"
)

// Kind is what a card is.
type Kind string

// The kinds of card.
const (
	NVMe     Kind = "nvme"     // one controller with one namespace
	SATA     Kind = "sata"     // an AHCI controller with one disk, or two
	Network  Kind = "network"  // an Ethernet controller with no cable in it
	Graphics Kind = "graphics" // a display controller without VGA
	Sound    Kind = "sound"    // a controller with a codec that leads nowhere
	USB      Kind = "usb"      // an xHCI controller with a stick, a keyboard and a tablet
)

// Card is one PCI function with what hangs on it.
type Card struct {
	Kind        Kind
	Serial      string // of the drive, up to 20 characters; what has no drive has none
	Second      string // of a SATA card's second disk, as large as the first; empty: it has one
	SizeMiB     int    // of the drive; 0 stands for 256
	SectorBytes int    // logical block size, 512 or 4096; 0 stands for 512
	Disk        string // name of the backing file, where Serial does not tell two drives apart
	Virtual     int    // how many virtual functions an NVMe controller can make, up to 31
}

// Drives gives each drive of the card as that of a card which has it alone.
func (c Card) Drives() []Card {
	switch c.Kind {
	case NVMe, SATA, USB:
	default:
		return nil
	}
	first := c
	first.Second = ""
	if c.Second == "" {
		return []Card{first}
	}
	return []Card{first, {Kind: c.Kind, Serial: c.Second, SizeMiB: c.SizeMiB, SectorBytes: c.SectorBytes}}
}

// DiskName is the name of the card's backing file, which follows the drive when
// the card is put into another seat.
func (c Card) DiskName() string {
	if c.Disk != "" {
		return c.Disk
	}
	return c.Serial
}

// Bytes is the size of the card's drive.
func (c Card) Bytes() int64 {
	size := c.SizeMiB
	if size == 0 {
		size = 256
	}
	return int64(size) << 20
}

// Sector is the drive's logical block size in bytes.
func (c Card) Sector() int {
	if c.SectorBytes == 0 {
		return 512
	}
	return c.SectorBytes
}

// Memory is the host's memory in MiB.
func (m Machine) Memory() int {
	if m.MemoryMiB == 0 {
		return 2560
	}
	return m.MemoryMiB
}

// nodes is the number of the host's NUMA nodes.
func (m Machine) nodes() int { return max(1, m.Nodes) }

// Processors is the number of the host's CPUs.
func (m Machine) Processors() int {
	if m.CPUs == 0 {
		return 2
	}
	return m.CPUs
}

// Drives lists the drives of all seats, each as a card that has it alone; the
// host's own is not among them.
func (m Machine) Drives() []Card {
	var drives []Card
	for _, seat := range m.Seats {
		for _, card := range seat.Cards {
			drives = append(drives, card.Drives()...)
		}
	}
	return drives
}

// File is the backing file of a drive, below Boot.Folder.
type File struct {
	Name  string
	Bytes uint64
}

// Files lists what is behind the drives of all seats.
func (m Machine) Files() []File {
	var files []File
	for _, card := range m.Drives() {
		files = append(files, File{card.DiskName() + ".img", uint64(card.Bytes())})
	}
	return files
}

// RunsFrom gives the serial of the drive that the host runs from.
func (m Machine) RunsFrom() string { return m.Own.Serial }
