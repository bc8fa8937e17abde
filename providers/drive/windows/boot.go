package windows

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"lendkeep/providers/formats/hive"
)

// needed lists services without which Windows finds no NVMe drive or nothing on it:
// one of them left with a StartOverride, as after a move from another kind of
// machine, stops it with 0x7B (public reports for pci; the others from memory, by
// what they do).
var needed = []string{"acpi", "pci", "pcw", "msisadrv", "vdrvroot", "partmgr", "volmgr", "volmgrx", "mountmgr", "disk", "volume", "volsnap", "fvevol",
	"rdyboost", "EhStorClass", "Wdf01000", "CLFS", "FileInfo", "FltMgr", "Ntfs", "Ksecdd", "CNG", "iorate", "storport"}

// others lists services that Windows starts at boot for other controllers and
// buses: on a machine without those it overrides them by itself, and an NVMe drive
// needs none of them (from memory, by what they do). What is on neither list is not
// known.
var others = []string{"storahci", "vpci", "vmbus", "storvsc", "storflt", "hvcrash", "intelide", "pciide", "atapi", "viaide", "cmdide", "amdide", "aliide",
	"amdsata", "amdxata", "amdsbs", "arcsas", "arc", "adp80xx", "3ware", "iaStorV", "iaStorAV", "iaStorAVC", "iaStorVD", "iaStorAC", "LSI_SAS", "LSI_SAS2", "LSI_SAS2i", "LSI_SAS3",
	"LSI_SAS3i", "LSI_SSS", "LSI_SCSI", "LSI_FC", "megasas", "megasas2i", "megasas35i", "megasr", "mvumis", "nvraid", "nvstor", "percsas2i", "percsas3i", "SiSRaid2", "SiSRaid4",
	"stexstor", "vsmraid", "VSTXRAID", "HpSAMD", "ItSas35i", "SmartSAMD", "bttflt", "sbp2port", "sdbus", "sdstor", "UASPStor", "USBSTOR", "usbehci", "usbuhci", "usbohci", "usbhub",
	"USBHUB3", "USBXHCI", "spaceport", "vhdmp", "EhStorTcgDrv", "storufs", "scmbus", "pmem", "nvdimm", "mpio", "msdsm", "viostor", "vioscsi", "xenbus", "xenvbd", "xenfilt",
	"pvscsi", "iScsiPrt", "ql2300i", "ql40xx2i", "qlfcoei", "bxvbda", "bxois", "bxfcoe", "elxstor", "elxfcoe", "cht4iscsi", "cht4vbd", "b06bdrv", "ebdrv", "ufxchipidea", "SDFRd", "isapnp"}

// overrides looks at every service that is not the NVMe driver's: whether it is
// kept from starting at boot.
func overrides(services *hive.Key, seen *sight) {
	keys, err := services.Keys()
	if err != nil {
		seen.doubt(err)
		return
	}
	in := func(list []string, name string) bool {
		return slices.ContainsFunc(list, func(n string) bool { return strings.EqualFold(n, name) })
	}
	for _, key := range keys {
		if strings.EqualFold(key.Name, service) || in(others, key.Name) {
			continue
		}
		set, err := over(key)
		switch {
		case err != nil:
			seen.doubts = append(seen.doubts, fmt.Sprintf(`%.40q: %v`, key.Name, err))
		case set && in(needed, key.Name):
			seen.faults = append(seen.faults, key.Name+" is kept from starting at boot by its StartOverride, so that Windows would stop with 0x7B")
		case set:
			seen.doubts = append(seen.doubts, fmt.Sprintf("%.40q is kept from starting at boot by its StartOverride; whether Windows needs it there is not known", key.Name))
		}
	}
}

// over tells whether a service that would start at boot has a StartOverride that
// says otherwise.
func over(key *hive.Key) (bool, error) {
	values, err := overridden(key)
	if err != nil || len(values) == 0 {
		return false, err
	}
	if start, err := number(key, "Start"); errors.Is(err, hive.ErrNotThere) || err == nil && start != 0 {
		return false, nil
	} else if err != nil {
		return false, err
	}
	for _, v := range values {
		n, _, err := v.Number()
		if err != nil || n != 0 {
			return err == nil, err
		}
	}
	return false, nil
}
