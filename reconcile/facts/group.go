package facts

import (
	"strconv"
	"strings"
)

func isVFIOVariant(driver string) bool {
	return strings.Contains(driver, "vfio")
}

// Blocker is a member of an IOMMU group that keeps the group from being lent.
type Blocker struct {
	Function *Function
	Reason   string
}

// Blockers applies the kernel's rule for lending a group: every member that is
// not itself lent must be harmless. Up to Linux 5.18 a member is harmless when
// it has no driver, is held by VFIO or pci-stub, or is not an endpoint; from
// 5.19 on (DMA ownership) when it has no driver or is held by VFIO, pci-stub or
// pcieport. Source: Documentation/driver-api/vfio.rst and
// drivers/vfio/vfio.c (vfio_dev_viable), drivers/iommu/iommu.c.
func (ix *Index) Blockers(group int, lent map[Address]bool) []Blocker {
	var list []Blocker
	owned := KernelAtLeast(ix.Survey.Machine.Kernel, 5, 19)
	for _, f := range ix.groups[group] {
		if lent[f.Address] {
			continue
		}
		if gap := f.Gap("driver"); gap != nil {
			list = append(list, Blocker{f, "its driver is not known: " + gap.Reason})
			continue
		}
		if !harmless(f, owned) {
			list = append(list, Blocker{f, "the host's driver " + f.Driver + " holds it"})
		}
	}
	return list
}

func harmless(f *Function, owned bool) bool {
	switch {
	case f.Driver == "" || f.OnVFIO() || f.Stubbed():
		return true
	case owned:
		return f.Driver == "pcieport"
	default:
		return f.HeaderType != 0
	}
}

// KernelAtLeast compares the start of a kernel release ("6.1.0-56-amd64") with
// a version. A release that cannot be read counts as new: the newer rule is
// the stricter one.
func KernelAtLeast(release string, major, minor int) bool {
	parts := strings.FieldsFunc(release, func(r rune) bool { return r < '0' || r > '9' })
	if len(parts) < 2 {
		return true
	}
	a, err1 := strconv.Atoi(parts[0])
	b, err2 := strconv.Atoi(parts[1])
	if err1 != nil || err2 != nil {
		return true
	}
	return a > major || a == major && b >= minor
}
