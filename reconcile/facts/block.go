package facts

// Block is a block device: a drive, a partition, or something built on others.
type Block struct {
	Name           string          `json:"name"` // kernel name; moves, so it links facts of one survey only
	Devno          Devno           `json:"devno"`
	Controller     *Address        `json:"controller,omitempty"` // PCI function it hangs on; nil: on none
	Whole          string          `json:"whole,omitempty"`      // for a partition: the drive it is part of
	SizeBytes      uint64          `json:"size_bytes"`
	SectorBytes    uint64          `json:"sector_bytes"` // logical
	ReadOnly       bool            `json:"read_only,omitempty"`
	PartitionTable *PartitionTable `json:"partition_table,omitempty"`
	Partition      *Partition      `json:"partition,omitempty"`
	Signature      *Signature      `json:"signature,omitempty"`
	Holders        []string        `json:"holders,omitempty"` // kernel names of devices built on it
	Mapper         *Mapper         `json:"mapper,omitempty"`
	Array          string          `json:"array,omitempty"`        // md level, "raid1"
	BackingFile    string          `json:"backing_file,omitempty"` // of a loop device
	Links          []string        `json:"links,omitempty"`        // names below /dev that udev gave it
	Exclusive      Exclusive       `json:"exclusive,omitempty"`    // the kernel's own answer whether anybody holds it
	Openers        []Opener        `json:"openers,omitempty"`      // who has it open: an exclusive open does not notice them
	Gaps           []Gap           `json:"gaps,omitempty"`
}

// Exclusive is what the kernel answers to opening a block device for oneself
// alone (open(2), O_EXCL): mounts in whichever mount namespace, swap and
// devices built on it refuse it; loop devices and plain openers do not.
type Exclusive string

// The zero value is of surveys that could not ask, as of a captured tree:
// nothing is lent on the strength of it.
const (
	NotAsked      Exclusive = ""
	HeldByNobody  Exclusive = "free"
	HeldBySomeone Exclusive = "busy" // EBUSY
)

// Opener is a process that has a device open.
type Opener struct {
	Process string `json:"process"`         // "dd (pid 77)"
	Guest   string `json:"guest,omitempty"` // by its command line it is the QEMU of this guest; it may lie
}

// PartitionTable is the kind and identity of a drive's table.
type PartitionTable struct {
	Kind string `json:"kind"` // "gpt", "dos"
	ID   string `json:"id,omitempty"`
}

// Partition is one entry of a table.
type Partition struct {
	Number     int    `json:"number"`
	StartBytes uint64 `json:"start_bytes"`
	ID         string `json:"id,omitempty"`   // GPT unique id, lower case
	Type       string `json:"type,omitempty"` // GPT type id, lower case
	Name       string `json:"name,omitempty"` // GPT name
}

// TypeESP marks an EFI system partition (UEFI 2.10, 5.3.3, table 5.7).
const TypeESP = "c12a7328-f81f-11d2-ba4b-00a0c93ec93b"

// Signature is what blkid recognised on a device.
type Signature struct {
	Kind  string `json:"kind"`            // "xfs", "LVM2_member"
	Usage string `json:"usage,omitempty"` // "filesystem", "raid", "crypto", "other"
	Label string `json:"label,omitempty"`
	UUID  string `json:"uuid,omitempty"`
}

// Mapper is what device mapper says of a dm device.
type Mapper struct {
	Name string `json:"name"`
	UUID string `json:"uuid,omitempty"` // "LVM-...", "CRYPT-..."
}

// Mount is a mounted filesystem, from mountinfo.
type Mount struct {
	Devno        Devno    `json:"devno"`
	Devices      []string `json:"devices,omitempty"` // kernel names, where the filesystem spans devices (btrfs)
	Root         string   `json:"root"`              // part of the filesystem that is mounted
	Path         string   `json:"path"`
	Kind         string   `json:"kind"`   // filesystem type
	Source       string   `json:"source"` // as given to mount; may be stale
	Options      []string `json:"options,omitempty"`
	SuperOptions []string `json:"super_options,omitempty"`
	Elsewhere    string   `json:"elsewhere,omitempty"` // a process of the other mount namespace that has it, "sh (pid 77)"; empty: the host's own. Only what unmounting on the host would leave there
}

// Swap is an active swap area, from /proc/swaps.
type Swap struct {
	Path string `json:"path"`
	File bool   `json:"file,omitempty"` // a file on a mounted filesystem, not a device
}

// Path is where a path that somebody names really leads, as seen at survey
// time: links resolved, image headers read.
type Path struct {
	Named    string `json:"named"`
	Resolved string `json:"resolved,omitempty"`
	Missing  bool   `json:"missing,omitempty"`
	Format   string `json:"format,omitempty"`  // what a file looks like: "qcow2", "raw"; a guest may have written that
	Backing  string `json:"backing,omitempty"` // path of the image that it is based on, if it is what it looks like
	Gap      string `json:"gap,omitempty"`     // why the rest is not known
}
