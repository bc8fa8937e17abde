package holding

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"

	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// Where the nodes of IOMMU groups are by which programs have what is on VFIO (Linux
// Documentation/driver-api/vfio.rst), and which group a function is in. Tests have
// others.
var (
	groupNodes    = "/dev/vfio"
	functionLinks = "/sys/bus/pci/devices"
)

// groups finds the nodes of the IOMMU groups that functions are in. Of what is on VFIO
// nothing else shows a user that libvirt does not know, as a QEMU that was started by
// hand: libvirt would fail to open the group, and in giving the function back take it
// from that one.
func groups(s *facts.Survey, of map[facts.Address]bool) ([]below, error) {
	var list []below
	ix := facts.NewIndex(s)
	for at := range of {
		if lentAlong(ix, at) {
			continue
		}
		link, err := os.Readlink(path.Join(functionLinks, at.String(), "iommu_group"))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return list, fmt.Errorf("find the IOMMU group of %s: %w", at, err)
		}
		for _, prefix := range []string{"", "noiommu-"} { // Linux drivers/vfio/vfio_main.c, vfio_create_group
			name := prefix + path.Base(link)
			var stat unix.Stat_t
			switch err := unix.Stat(path.Join(groupNodes, name), &stat); {
			case errors.Is(err, fs.ErrNotExist):
			case err != nil:
				return list, fmt.Errorf("look at IOMMU group %s of %s: %w", name, at, err)
			case kindOf(stat.Mode) == character:
				list = append(list, below{at, node{kind: character, at: devno(stat.Rdev)}, "vfio/" + name, "vfio"})
			}
		}
	}
	return list, nil
}

// lentAlong tells whether a running guest of libvirt's has something of a function's
// IOMMU group: a group is opened once (Linux drivers/vfio/vfio_main.c,
// vfio_group_fops_open), so nobody else has it.
func lentAlong(ix *facts.Index, at facts.Address) bool {
	f := ix.Function(at)
	if f == nil || f.Group == nil {
		return ix.Holder(at) != nil
	}
	return slices.ContainsFunc(ix.Group(*f.Group), func(mate *facts.Function) bool { return ix.Holder(mate.Address) != nil })
}
