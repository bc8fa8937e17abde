package guard

import (
	"fmt"

	"lendkeep/reconcile/facts"
)

// underVirtuals refuses to take a function from under its virtual ones. The kernel
// binds none to VFIO that has them (Linux drivers/vfio/pci/vfio_pci_core.c), but
// libvirt takes it from its driver first: all of them go offline, that of a running
// guest too (measured with libvirt 9.0.0 and Linux 6.1).
func underVirtuals(f *facts.Function) error {
	if f.OnVFIO() {
		return nil
	}
	if gap := f.Gap("virtual_functions"); gap != nil {
		return fmt.Errorf("whether %s has virtual functions is not known: %s: %s", f.Title(), gap.Path, gap.Reason)
	}
	if f.Virtual != 0 {
		return fmt.Errorf("%s has virtual functions (%d); they would all go offline when it leaves the host's driver, and the kernel does not lend it while it has them", f.Title(), f.Virtual)
	}
	return nil
}
