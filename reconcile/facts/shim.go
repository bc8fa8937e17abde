package facts

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path"
	"slices"
)

// ShimFolder is where shim disks are put: a folder of libvirt's own for disks.
// libvirt gives QEMU's user and its AppArmor profile access to every disk of a
// definition, but never below /usr/share, where option ROMs are (libvirt
// src/security/virt-aa-helper.c, valid_path).
const ShimFolder = "/var/lib/libvirt/images"

// shimSuffix marks, with romPrefix, lendkeep's own files there.
const shimSuffix = ".img"

// KindShim is the Kind of a Disk that is a shim disk of lendkeep's: an order
// makes it, and no guest writes to it.
const KindShim = "shim"

// SystemPartition is an EFI system partition as firmware names it (UEFI 2.10,
// 10.3.5.1). The zero value is none.
type SystemPartition struct {
	Number  int    `json:"number,omitempty"`
	ID      string `json:"id,omitempty"`      // GPT partition id, lower case
	First   uint64 `json:"first,omitempty"`   // logical block of the drive
	Sectors uint64 `json:"sectors,omitempty"` // length in logical blocks
}

// Shim is a shim disk that lendkeep builds of a donor's parts. The same parts,
// partition and loader give the same bytes.
type Shim struct {
	Path   string          `json:"path"`
	Driver string          `json:"driver"`           // as ROM.Driver
	Shell  string          `json:"shell"`            // sha256 of the UEFI Shell
	From   SystemPartition `json:"from"`             // the one that it starts from; none: the first that its driver brings
	Loader string          `json:"loader,omitempty"` // what it starts before the usual loaders, with backslashes
}

// PlacedShim is a file of lendkeep's in ShimFolder.
type PlacedShim struct {
	Shim
	Why string `json:"why,omitempty"` // why it is none that lendkeep built; then only Path is set
}

// ShimFor completes a shim disk for a controller with its path. Its name tells
// its content, so that none is ever written over.
func ShimFor(controller string, s Shim) Shim {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s %s %+v %s", s.Driver, s.Shell, s.From, s.Loader))
	s.Path = path.Join(ShimFolder, romPrefix+controller+"-"+hex.EncodeToString(sum[:4])+shimSuffix)
	return s
}

// IsShim tells whether a path is one of lendkeep's own shim disks.
func IsShim(named string) bool {
	return isOurs(named, ShimFolder, shimSuffix)
}

// Shim gives what lies at the path of a shim disk, or nil for nothing.
func (ix *Index) Shim(named string) *PlacedShim {
	i := slices.IndexFunc(ix.Survey.Shims, func(p PlacedShim) bool { return p.Path == named })
	if i < 0 {
		return nil
	}
	return &ix.Survey.Shims[i]
}

// SystemPartitions gives the EFI system partitions on a controller's drives, as
// the kernel shows them. All is false where there may be others: no drive is seen,
// as while they are lent, or of a partition nobody has said what it is.
func (ix *Index) SystemPartitions(at Address) (list []SystemPartition, all bool) {
	all = len(ix.tops[at]) > 0
	for _, drive := range ix.tops[at] {
		for _, part := range ix.parts[drive.Name] {
			p := part.Partition
			switch {
			case p == nil || p.Type == "" || p.Type == TypeESP && p.ID == "" || drive.SectorBytes == 0:
				all = false
			case p.Type == TypeESP:
				list = append(list, SystemPartition{p.Number, p.ID, p.StartBytes / drive.SectorBytes, part.SizeBytes / drive.SectorBytes})
			}
		}
	}
	return list, all
}

// Shim gives the path of the shim disk that a definition has; empty for none.
func (d *Definition) Shim() string {
	i := slices.IndexFunc(d.Disks, func(disk Disk) bool { return disk.Kind == KindShim })
	if i < 0 {
		return ""
	}
	return d.Disks[i].Source
}
