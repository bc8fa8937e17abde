package facts

// Block is a block device: a drive, a partition, or something built on others.
// Where the comment of a field names a file, that is below /sys/class/block/NAME
// (Linux Documentation/ABI/stable/sysfs-block).
type Block struct {
	Name           string          `json:"name"`                      // kernel name; moves, so it links facts of one survey only
	Devno          Devno           `json:"devno"`                     // dev
	Controller     *Address        `json:"controller,omitempty"`      // from where the directory really is: the PCI function it hangs on; nil: on none
	Whole          string          `json:"whole,omitempty"`           // of a partition: the drive it is part of
	SizeBytes      uint64          `json:"size_bytes"`                // size, which counts in 512 bytes
	SectorBytes    uint64          `json:"sector_bytes"`              // queue/logical_block_size of the whole drive
	ReadOnly       bool            `json:"read_only,omitempty"`       // ro
	PartitionTable *PartitionTable `json:"partition_table,omitempty"` // by udev's record (/run/udev/data/bMAJOR:MINOR); nil: it knows none
	Partition      *Partition      `json:"partition,omitempty"`       // nil: it is no partition
	Signature      *Signature      `json:"signature,omitempty"`       // by udev's record; nil: it knows none, see Gaps
	Holders        []string        `json:"holders,omitempty"`         // holders: kernel names of devices built on it
	Mapper         *Mapper         `json:"mapper,omitempty"`          // nil: no device of device mapper's
	Array          string          `json:"array,omitempty"`           // md/level, "raid1"; empty: no array
	BackingFile    string          `json:"backing_file,omitempty"`    // loop/backing_file; empty: no loop device, or a detached one
	Links          []string        `json:"links,omitempty"`           // names below /dev that udev gave it
	Exclusive      Exclusive       `json:"exclusive,omitempty"`       // the kernel's own answer whether anybody holds it
	Openers        []Opener        `json:"openers,omitempty"`         // who has it open, by /proc/PID/fd: an exclusive open does not notice them
	Gaps           []Gap           `json:"gaps,omitempty"`            // what could not be read of it
}

// Gap gives the gap of that fact, or nil when the fact was read.
func (b Block) Gap(fact string) *Gap { return gapOf(b.Gaps, fact) }

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

// PartitionTable is the kind and identity of a drive's table, by udev's record.
type PartitionTable struct {
	Kind string `json:"kind"`         // ID_PART_TABLE_TYPE: "gpt", "dos"
	ID   string `json:"id,omitempty"` // ID_PART_TABLE_UUID; empty: it has none
}

// Partition is one entry of a table.
type Partition struct {
	Number     int    `json:"number"`         // partition, below /sys/class/block/NAME
	StartBytes uint64 `json:"start_bytes"`    // start, there, which counts in 512 bytes
	ID         string `json:"id,omitempty"`   // ID_PART_ENTRY_UUID of udev's record: GPT unique id, lower case; empty: not known
	Type       string `json:"type,omitempty"` // ID_PART_ENTRY_TYPE: GPT type id, lower case; empty: not known
	Name       string `json:"name,omitempty"` // ID_PART_ENTRY_NAME: GPT name; empty: it has none
}

// TypeESP marks an EFI system partition (UEFI 2.10, 5.3.3, table 5.7).
const TypeESP = "c12a7328-f81f-11d2-ba4b-00a0c93ec93b"

// Signature is what blkid recognised on a device, by udev's record or asked now.
type Signature struct {
	Kind  string `json:"kind"`            // ID_FS_TYPE: "xfs", "LVM2_member"
	Usage string `json:"usage,omitempty"` // ID_FS_USAGE: "filesystem", "raid", "crypto", "other"
	Label string `json:"label,omitempty"` // ID_FS_LABEL; empty: it has none
	UUID  string `json:"uuid,omitempty"`  // ID_FS_UUID; empty: it has none
}

// Mapper is what device mapper says of a dm device.
type Mapper struct {
	Name string `json:"name"`           // dm/name
	UUID string `json:"uuid,omitempty"` // dm/uuid: "LVM-...", "CRYPT-..."; empty: whoever made it gave none
}

// Mount is a mounted filesystem, a line of /proc/PID/mountinfo (proc(5)).
type Mount struct {
	Devno        Devno    `json:"devno"`                   // major:minor; 0 as major: no device of its own
	Devices      []string `json:"devices,omitempty"`       // kernel names, where the filesystem spans devices (btrfs)
	Root         string   `json:"root"`                    // part of the filesystem that is mounted
	Path         string   `json:"path"`                    // where
	Kind         string   `json:"kind"`                    // filesystem type
	Source       string   `json:"source"`                  // as given to mount; may be stale
	Options      []string `json:"options,omitempty"`       // of this mount
	SuperOptions []string `json:"super_options,omitempty"` // of the filesystem
	Elsewhere    string   `json:"elsewhere,omitempty"`     // a process of the other mount namespace that has it, "sh (pid 77)"; empty: the host's own. Only what unmounting on the host would leave there
}

// Of tells whether it is the host's own mount of a partition at a place, as a
// layout, a rule or a step states one. Neither needs to be there; a partition of
// which the number is not known is mounted nowhere.
func (m *Mount) Of(part *Block, place string) bool {
	return m != nil && part != nil && m.Elsewhere == "" && m.Path == place && part.Devno.Known() && m.Devno == part.Devno
}

// Swap is an active swap area, from /proc/swaps.
type Swap struct {
	Path string `json:"path"`           // of the device or file
	File bool   `json:"file,omitempty"` // a file on a mounted filesystem, not a device
}

// Path is where a path that somebody names really leads, as seen at survey
// time: links resolved, image headers read.
type Path struct {
	Named    string   `json:"named"`              // as somebody names it
	Resolved string   `json:"resolved,omitempty"` // where it leads; empty: not known
	Via      []string `json:"via,omitempty"`      // where the links lie that were followed, in sequence
	Missing  bool     `json:"missing,omitempty"`  // nothing is there
	Format   string   `json:"format,omitempty"`   // what a file looks like: "qcow2", "raw"; a guest may have written that
	Backing  string   `json:"backing,omitempty"`  // path of the image that it is based on, if it is what it looks like
	Gap      string   `json:"gap,omitempty"`      // why the rest is not known
}
