package firmware

import "lendkeep/providers/formats/guid"

// Part is a piece of firmware that booting depends on, known by the name of
// its file in a firmware volume.
type Part struct {
	Name string    // short, for tables: "nvme"
	GUID guid.GUID // FILE_GUID of the edk2 module
	Does string    // what is missing without it
}

// The parts that are looked for. Each GUID is the FILE_GUID of the edk2 module
// description named beside it; all were found in Debian's OVMF images.
var (
	NVMe        = Part{"nvme", guid.Must("5BE3BDF4-53CF-46A3-A6A9-73C34A6E5EE3"), "reads NVMe drives"}                       // MdeModulePkg/Bus/Pci/NvmExpressDxe
	AHCI        = Part{"ahci", guid.Must("5E523CB4-D397-4986-87BD-A6DD8B22F455"), "reads SATA drives"}                       // MdeModulePkg/Bus/Ata/AtaAtapiPassThru
	VirtioBlock = Part{"virtio-blk", guid.Must("11D92DFB-3CA9-4F93-BA2E-4780ED3E03B5"), "reads virtio block disks"}          // OvmfPkg/VirtioBlkDxe
	VirtioSCSI  = Part{"virtio-scsi", guid.Must("FAB5D4F4-83C0-4AAF-8480-442D11DF6CEA"), "reads virtio SCSI disks"}          // OvmfPkg/VirtioScsiDxe
	XHCI        = Part{"xhci", guid.Must("B7F50E91-A759-412C-ADE4-DCD03E7F7C28"), "drives USB 3 controllers"}                // MdeModulePkg/Bus/Pci/XhciDxe
	USBStorage  = Part{"usb-storage", guid.Must("9FB4B4A7-42C0-4BCD-8540-9BCC6711F83E"), "reads USB sticks and drives"}      // MdeModulePkg/Bus/Usb/UsbMassStorageDxe
	Partitions  = Part{"partitions", guid.Must("1FA1F39E-FEFF-4AAE-BD7B-38A070A3B609"), "finds the partitions of a drive"}   // MdeModulePkg/Universal/Disk/PartitionDxe
	FAT         = Part{"fat", guid.Must("961578FE-B6B7-44C3-AF35-6BC705CD2B1F"), "reads the EFI system partition"}           // FatPkg/EnhancedFatDxe
	Shell       = Part{"shell", guid.Must("7C04A583-9E3E-4F1C-AD65-E05268D0B4D1"), "the UEFI Shell, which runs a shim disk"} // ShellPkg/Application/Shell
)

// Parts gives every part that a report answers for, in the order of a report.
func Parts() []Part {
	return []Part{NVMe, AHCI, VirtioBlock, VirtioSCSI, XHCI, USBStorage, Partitions, FAT, Shell}
}
