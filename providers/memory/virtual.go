package memory

import (
	"fmt"

	"lendkeep/reconcile/facts"
)

// virtualsAllow answers as the kernel does where a function has made virtual ones, or
// is one whose parent is lent, or goes along. libvirt has taken the first from its
// driver by then, and gives it back; all its virtual functions are offline (measured
// with libvirt 9.0.0 and Linux 6.1). It says no more than this.
func (h *Host) virtualsAllow(at facts.Address, lent map[facts.Address]bool) error {
	f := h.function(at)
	switch {
	case f.Parent != nil && (h.function(*f.Parent) == nil || h.function(*f.Parent).OnVFIO() || lent[*f.Parent]):
		return fmt.Errorf("vfio %s: error getting device from group: Permission denied", at)
	case f.Virtual == 0 || f.OnVFIO():
		return nil
	}
	for i := range h.survey.Functions {
		if v := &h.survey.Functions[i]; v.Parent != nil && *v.Parent == at {
			h.inUse = append(h.inUse, "taken offline with its parent: "+v.Title())
			v.NVMe = nil
		}
	}
	return fmt.Errorf("vfio %s: /dev/vfio/%d is not accessible", at, *f.Group)
}

// virtualOf gives what a record says of a virtual function as it is now.
func (h *Host) virtualOf(f *facts.Function) facts.VirtualOf {
	parent := h.function(*f.Parent)
	if parent == nil || f.VirtualNumber == nil {
		return facts.VirtualOf{}
	}
	v := facts.VirtualOf{Controller: parent.Address.String(), Number: *f.VirtualNumber, Address: parent.Address, Vendor: parent.Vendor, Device: parent.Device}
	if parent.NVMe != nil {
		v.Serial = parent.NVMe.Serial
	}
	return v
}
