package facts

import (
	"path"
	"slices"
	"strings"

	"lendkeep/spec/pci"
)

// ROMFolder is where option ROMs are put. libvirt relabels no ROM file and
// writes no AppArmor rule for it, and this folder is one that its QEMU may read
// as it is (measured with Debian's libvirt 9.0.0 and QEMU 7.2).
const ROMFolder = "/usr/share/qemu"

// romPrefix and romSuffix mark lendkeep's own files there.
const (
	romPrefix = "lendkeep-"
	romSuffix = ".rom"
)

// ROM is an option ROM that lendkeep builds: a donor's NVMe driver behind a
// header with a controller's PCI ids. The same driver and ids give the same
// bytes.
type ROM struct {
	Path   string `json:"path"`
	Driver string `json:"driver"` // sha256 of what stands behind the header: the driver, filled up with zeros
	Vendor pci.ID `json:"vendor"`
	Device pci.ID `json:"device"`
}

// PlacedROM is a file of lendkeep's in ROMFolder.
type PlacedROM struct {
	ROM
	Why string `json:"why,omitempty"` // why it is none that lendkeep built; then only Path is set
}

// ROMFor names the option ROM for a controller. Its name tells its content, so
// that another driver gets another file and none is ever written over.
func ROMFor(r Identity, driver string) ROM {
	short := driver[:min(8, len(driver))]
	return ROM{path.Join(ROMFolder, romPrefix+r.Controller+"-"+short+romSuffix), driver, r.Vendor, r.Device}
}

// IsROM tells whether a path is one of lendkeep's own option ROMs.
func IsROM(named string) bool {
	return isOurs(named, ROMFolder, romSuffix)
}

func isOurs(named, folder, suffix string) bool {
	base := path.Base(named)
	return path.Join(folder, base) == named && strings.HasPrefix(base, romPrefix) && strings.HasSuffix(base, suffix)
}

// ROM gives what lies at the path of an option ROM, or nil for nothing.
func (ix *Index) ROM(named string) *PlacedROM {
	i := slices.IndexFunc(ix.Survey.ROMs, func(p PlacedROM) bool { return p.Path == named })
	if i < 0 {
		return nil
	}
	return &ix.Survey.ROMs[i]
}
