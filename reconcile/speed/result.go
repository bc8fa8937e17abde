package speed

import (
	"time"

	"lendkeep/reconcile/facts"
)

// Format is the version of a result. It changes whenever a field changes its
// meaning; a result of another version is refused, never guessed at.
const Format = 1

// Result is one measurement: every series of it, and what a reader needs to judge
// them. It is written by lendkeep-measure, where the drive is seen; lendkeep on the
// host adds Host. Texts are at most MaxText bytes of UTF-8 in which nothing acts
// (Text makes one so). What could not be found out stays empty and is in Gaps.
type Result struct {
	Format  int         `json:"format"`
	Sum     string      `json:"sum"`     // of everything else (Encode sets it): tells what changed on the way, not who wrote it
	Program string      `json:"program"` // version of lendkeep-measure
	Label   string      `json:"label"`   // the operator's name for it: "before", "lent"
	Clock   Clock       `json:"clock"`
	Place   Place       `json:"place"`
	Target  Target      `json:"target"`
	Method  Method      `json:"method"`
	Around  Around      `json:"around"`
	Host    *Host       `json:"host,omitempty"` // nil: lendkeep on the host has added nothing
	Series  []Series    `json:"series"`         // in the order of Kinds; at least one, each kind at most once
	Gaps    []facts.Gap `json:"gaps,omitempty"` // what could not be measured or found out
}

// Clock says when it was measured. Only Began and Ended are of the wall clock,
// which may be set meanwhile (Jump); every other time is of a clock that never goes
// back and runs on while the machine sleeps: CLOCK_BOOTTIME on Linux,
// QueryPerformanceCounter on Windows.
type Clock struct {
	Began time.Time     `json:"began"`   // UTC, whole seconds
	Ended time.Time     `json:"ended"`   // likewise
	Boot  time.Duration `json:"boot_ns"` // since the machine's start, when it began
	Took  time.Duration `json:"took_ns"` // from begin to end
}

// Side says on which side of the guest's border it was measured.
type Side string

// The sides. Empty: nobody told the program.
const (
	Guest  Side = "guest"
	OnHost Side = "host"
)

// Place is the system in which the program ran.
type Place struct {
	Side        Side   `json:"side,omitempty"`
	System      string `json:"system"`                 // as Go names it: "linux", "windows"
	Machine     string `json:"machine"`                // likewise: "amd64", "arm64"
	Name        string `json:"name,omitempty"`         // "Debian GNU/Linux 12 (bookworm)", "Windows 11 Pro"
	Release     string `json:"release,omitempty"`      // of the kernel: "6.1.0-56-amd64", "10.0.22631.4317"
	Processors  int    `json:"processors"`             // that the program may use
	MemoryBytes int64  `json:"memory_bytes,omitempty"` // of the system; 0: not known
}

// Form says what was measured: a file in a folder, or a whole device.
type Form string

// The forms of targets.
const (
	Folder Form = "folder"
	Device Form = "device"
)

// Target is what was measured.
type Target struct {
	Form          Form     `json:"form"`
	Path          string   `json:"path"`                 // the folder, "D:\measure"; or the device, "/dev/nvme0n1"
	Filesystem    string   `json:"filesystem,omitempty"` // "ext4", "NTFS"; of a folder
	Layers        []string `json:"layers,omitempty"`     // between filesystem and drive, uppermost first: "crypt", "lvm", "raid1"
	Block         string   `json:"block,omitempty"`      // the system's name of the drive: "vda", "nvme0n1", "PhysicalDrive1"
	Drive         Drive    `json:"drive"`
	Driver        string   `json:"driver,omitempty"`         // of the controller: "nvme", "virtio_blk", "stornvme", "secnvme"
	DriverVersion string   `json:"driver_version,omitempty"` // "10.0.22621.4391"; a Linux driver without one is of the kernel
}

// Drive is what the drive says of itself.
type Drive struct {
	Model       string `json:"model,omitempty"`
	Serial      string `json:"serial,omitempty"`
	Firmware    string `json:"firmware,omitempty"`
	Bus         string `json:"bus,omitempty"`          // "nvme", "virtio", "sata", "scsi", "usb"
	SizeBytes   int64  `json:"size_bytes,omitempty"`   // 0: not known
	SectorBytes int64  `json:"sector_bytes,omitempty"` // logical; 0: not known
}

// Method is how it was measured.
type Method struct {
	Through      string        `json:"through"`       // how reads and writes reach the system, one of Ways
	Direct       bool          `json:"direct"`        // past the system's caches: O_DIRECT, FILE_FLAG_NO_BUFFERING
	WriteThrough bool          `json:"write_through"` // each write waits until it is past the drive's own cache: FILE_FLAG_WRITE_THROUGH
	Write        bool          `json:"write"`         // writing was asked for
	FileBytes    int64         `json:"file_bytes"`    // of the file, or of the part of the device, over which the series run
	Written      int64         `json:"written_bytes"` // all that the program wrote, with what fills its file
	Runs         int           `json:"runs"`          // of each series
	RunLasts     time.Duration `json:"run_lasts_ns"`  // the least that a run takes; one that writes ends before, once it has written FileBytes
}

// Around is what disturbs a measurement or flatters it, as seen where it was
// taken: before the first run, where nothing else is said. nil and empty: not known.
type Around struct {
	LoadPercent      *int   `json:"load_percent,omitempty"`       // how busy others kept the processors, 0 to 100
	DriveBusyPercent *int   `json:"drive_busy_percent,omitempty"` // how long others kept the drive from being idle
	StealPercent     *int   `json:"steal_percent,omitempty"`      // of the guest's processor time during the runs: what the host took
	CachedPercent    *int   `json:"cached_percent,omitempty"`     // of the file, after the runs: in the system's cache, past which Direct should have gone
	ZerosPercent     *int   `json:"zeros_percent,omitempty"`      // of what was read: nothing but zeros, which a drive may tell without looking
	Power            string `json:"power,omitempty"`              // "performance" (the governor), "Balanced" (the scheme)
	TemperatureC     *int   `json:"temperature_c,omitempty"`      // of the drive, degrees Celsius
	FillPercent      *int   `json:"fill_percent,omitempty"`       // of the filesystem, without the program's own file
	WriteCache       string `json:"write_cache,omitempty"`        // of the drive, as the system sees it: "write back", "write through"
}

// Host is what only the host can know; lendkeep adds it there.
type Host struct {
	Guest       string       `json:"guest,omitempty"`        // in which it was measured; empty: on the host
	Others      []string     `json:"others"`                 // guests that ran at its begin or end, sorted
	Lent        bool         `json:"lent"`                   // the drive's controller was lent to the guest
	Disk        *VirtualDisk `json:"disk,omitempty"`         // nil: it is none, or which one is not known
	Way         *Way         `json:"way,omitempty"`          // to the controller of the drive; nil: it is not known which one that is
	LoadPercent *int         `json:"load_percent,omitempty"` // how busy the host's processors were before it; nil: not known
	Power       string       `json:"power,omitempty"`        // governor of the host's processors; empty: not known
}

// VirtualDisk is how the host gives the guest a disk, by its running definition.
// Empty: the definition leaves it to QEMU.
type VirtualDisk struct {
	Name   string `json:"name"`             // "vda"
	Bus    string `json:"bus,omitempty"`    // "virtio"
	Format string `json:"format,omitempty"` // "raw", "qcow2"
	Cache  string `json:"cache,omitempty"`  // "none", "writeback"
	IO     string `json:"io,omitempty"`     // "native", "io_uring"
}
