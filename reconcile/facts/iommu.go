package facts

import (
	"math/bits"
	"slices"
	"strings"
)

// IOMMUUnit is one unit of hardware that translates addresses of devices, as its
// driver shows it below /sys/class/iommu/NAME (Linux Documentation/ABI/testing/
// sysfs-class-iommu-intel-iommu, sysfs-class-iommu-amd-iommu).
type IOMMUUnit struct {
	Name     string `json:"name"`               // "dmar0", "ivhd0", "smmu3.0x0000000009050000"
	Cap      uint64 `json:"cap,omitempty"`      // Intel: the capability register, intel-iommu/cap; 0: not said
	Extended uint64 `json:"extended,omitempty"` // Intel: the extended capability register, intel-iommu/ecap; 0: not said
}

// Maker says by a unit's name whose it is: "Intel" (VT-d), "AMD" (AMD-Vi), "Arm"
// (SMMU); empty for any other. The names are given by the drivers (Linux 6.1
// drivers/iommu/intel/dmar.c, amd/init.c, arm/arm-smmu*).
func (u IOMMUUnit) Maker() string {
	for prefix, maker := range map[string]string{"dmar": "Intel", "ivhd": "AMD", "smmu": "Arm"} {
		if strings.HasPrefix(u.Name, prefix) {
			return maker
		}
	}
	return ""
}

// IOMMUMakers gives those of the units in use, each once.
func (m Machine) IOMMUMakers() []string {
	var list []string
	for _, u := range m.Units {
		if maker := u.Maker(); maker != "" && !slices.Contains(list, maker) {
			list = append(list, maker)
		}
	}
	return list
}

// Remaps says whether an Intel unit can remap interrupts (bit 3 of the extended
// capabilities; Linux drivers/iommu/intel/iommu.h, ecap_ir_support): without that a
// guest's device can raise any interrupt of the host.
func (u IOMMUUnit) Remaps() Held {
	switch {
	case u.Extended == 0:
		return Unknown
	case u.Extended>>3&1 == 1:
		return Present
	default:
		return Absent
	}
}

// Bits gives the width of the addresses that an Intel unit translates: that of its
// capabilities (bits 16 to 21, less one; cap_mgaw), and no more than its deepest tables
// reach (bits 8 to 12; 1 for 39 bits, 9 more for each further; cap_sagaw, agaw_to_width),
// as the kernel takes it (Linux 6.1 drivers/iommu/intel/iommu.c,
// prepare_domain_attach_device). 0 where it is not known.
func (u IOMMUUnit) Bits() int {
	tables := bits.Len64(u.Cap>>8&0x1f) - 1
	if tables < 1 {
		return 0
	}
	return min(int(u.Cap>>16&0x3f)+1, 30+9*tables)
}

// ModuleSetting is a parameter of one of VFIO's kernel modules.
type ModuleSetting struct {
	Name   string `json:"name"`             // of module and parameter, "vfio_pci.disable_idle_d3"
	Value  string `json:"value"`            // as it stands there: "Y", "1"
	From   string `json:"from"`             // where that is: a folder of /sys/module, a file of modprobe's, /proc/cmdline
	Loaded bool   `json:"loaded,omitempty"` // the module is loaded and has it; else it is as it will be set
}

// Setting gives a parameter of a VFIO module by its name: as it is where the module
// is loaded, else as it will be. Where nothing says so, or files contradict each other,
// ok is false: what holds then is the kernel's default, or not known.
func (m Machine) Setting(name string) (s ModuleSetting, ok bool) {
	for _, one := range m.VFIO {
		switch {
		case one.Name != name:
		case one.Loaded:
			return one, true
		case s.Name == "":
			s, ok = one, true
		case one.On() != s.On():
			ok = false
		}
	}
	return s, ok
}

// On tells whether a setting of the form yes or no is on (Linux kernel/params.c,
// param_set_bool, kstrtobool). One that is given without a value is.
func (s ModuleSetting) On() bool {
	switch strings.ToLower(s.Value) {
	case "", "y", "yes", "1", "on", "t", "true":
		return true
	}
	return false
}
