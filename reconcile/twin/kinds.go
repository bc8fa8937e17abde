package twin

import (
	"lendkeep/reconcile/facts"
)

// model is what an emulated function looks like to the system in the machine.
type model struct {
	class  uint32
	driver string // empty: none
}

// models holds QEMU's devices (measured with QEMU 7.2.22 and Linux 6.1; classes
// beside "-device KIND,help" of QEMU, hw/.../*.c of each device). The twin's system
// has no drivers for displays and sound.
var models = map[Kind]model{
	HostBridge: {0x060000, ""}, ISABridge: {0x060100, "lpc_ich"}, ChipsetSATA: {0x010601, "ahci"}, SMBus: {0x0c0500, "i801_smbus"},
	ExtraRoot: {0x060000, ""}, Channel: {0x078000, "virtio-pci"},
	RootPort: {0x060400, "pcieport"}, Upstream: {0x060400, "pcieport"}, Downstream: {0x060400, "pcieport"}, Conventional: {0x060400, ""},
	NVMe: {0x010802, "nvme"}, SATA: {0x010601, "ahci"}, USB: {0x0c0330, "xhci_hcd"}, SCSI: {0x010000, "virtio-pci"},
	Network: {0x020000, "e1000e"}, Display: {0x038000, ""}, Sound: {0x040300, ""},
	Occupied: {0x00ff00, "virtio-pci"}, Idle: {0x00ff00, ""},
}

// kindOf says which part stands for an endpoint. What nothing is like, or has no
// driver there, is at least held as it is, since that decides whether its group may
// be lent.
func kindOf(f *facts.Function) Kind {
	held := f.Driver != "" || f.Gap("driver") != nil
	how, _ := holdingOf(f)
	switch base := f.Class >> 8; {
	case f.Class == facts.ClassNVMe:
		return NVMe
	case base == 0x0106:
		return SATA
	case base>>8 == 0x01:
		return SCSI
	case base == 0x0c03:
		return USB
	case base>>8 == 0x02:
		return Network
	case base>>8 == 0x03 && how != ByDriver:
		return Display
	case base>>8 == 0x04 && how != ByDriver:
		return Sound
	case held:
		return Occupied
	default:
		return Idle
	}
}

// holdingOf says what has the function at first; exact is false where the machine
// can only come near.
func holdingOf(f *facts.Function) (held Holding, exact bool) {
	switch {
	case f.Gap("driver") != nil:
		return ByDriver, false
	case f.Driver == "":
		return ByNone, true
	case f.OnVFIO():
		return ByVFIO, f.Driver == "vfio-pci"
	case f.Stubbed():
		return ByStub, true
	default:
		return ByDriver, true
	}
}
