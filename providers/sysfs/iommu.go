package sysfs

import (
	"errors"
	"io/fs"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// units reads the hardware units, each with the registers that only Intel's driver
// shows, in hexadecimal. A kernel
// without the class has none in use.
func (s *survey) units() []facts.IOMMUUnit {
	area := s.whole("sys/class/iommu")
	names, err := s.list(area.dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		area.gap("machine.iommus", "", err)
		area.gap("machine.iommu_units", "", err)
	}
	var list []facts.IOMMUUnit
	for _, name := range names {
		list = append(list, facts.IOMMUUnit{Name: name,
			Cap:      area.numberIfAny("machine.iommu_units", name+"/intel-iommu/cap", 16, 64),
			Extended: area.numberIfAny("machine.iommu_units", name+"/intel-iommu/ecap", 16, 64),
		})
	}
	return list
}

// dmaTables are the firmware's tables that describe IOMMUs: Intel's, AMD's, Arm's
// (Linux drivers/acpi; include/acpi/actbl*.h).
var dmaTables = []string{"DMAR", "IVRS", "IORT"}

// dmaTable gives the one that this machine's firmware has. What is in it takes
// privilege to read and is not asked.
func (s *survey) dmaTable() string {
	const tables = "sys/firmware/acpi/tables"
	for _, table := range dmaTables {
		_, err := s.fsys.Lstat(path.Join(tables, table))
		switch {
		case err == nil:
			return table
		case !errors.Is(err, fs.ErrNotExist):
			s.whole("sys/firmware/acpi").gap("machine.dma_table", "tables", err)
			return ""
		}
	}
	return ""
}

// vfioModules are those whose parameters decide how something is lent (Linux
// drivers/vfio).
var vfioModules = []string{"vfio", "vfio_iommu_type1", "vfio_pci", "vfio_pci_core"}

// loaded reads the parameters of VFIO's modules that are loaded.
func (s *survey) loaded() []facts.ModuleSetting {
	var list []facts.ModuleSetting
	for _, module := range vfioModules {
		area := s.whole(path.Join("sys/module", module, "parameters"))
		for _, name := range area.names("machine.vfio") {
			list = append(list, facts.ModuleSetting{Name: module + "." + name, Value: area.text("machine.vfio", name), From: "/" + area.dir, Loaded: true})
		}
	}
	return list
}

// set notes a parameter of VFIO's modules that somebody has written down. Kernel and
// modprobe take - and _ in names of modules for the same.
func (s *survey) set(module, word, from string) {
	module = strings.ReplaceAll(module, "-", "_")
	name, value, _ := strings.Cut(word, "=")
	if slices.Contains(vfioModules, module) && name != "" && name != "ids" {
		s.out.Machine.VFIO = append(s.out.Machine.VFIO, facts.ModuleSetting{Name: module + "." + name, Value: strings.Trim(value, `"`), From: from})
	}
}
