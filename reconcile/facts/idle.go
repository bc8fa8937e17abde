package facts

import "slices"

// idleClasses are the classes of which a device by itself says nothing of a use:
// those whose users show as block devices, network interfaces or openers of
// character devices, and mere attributes and sensors. Of every other class there
// may be users inside the kernel that no list has: the kernel's own keys use a
// TPM, a watchdog that runs needs nobody who has it open (from memory; Linux
// drivers/*, class_register).
var idleClasses = []string{
	"block", "nvme", "nvme-generic", "nvme-subsystem", "bdi", "bsg",
	"scsi_host", "scsi_device", "scsi_disk", "scsi_generic", "scsi_tape", "scsi_changer", "enclosure",
	"ata_port", "ata_link", "ata_device", "mmc_host",
	"sas_host", "sas_phy", "sas_port", "sas_end_device", "sas_device", "sas_expander", "raid_devices",
	"fc_host", "fc_remote_ports", "fc_transport", "fc_vports", "spi_host", "spi_transport",
	"net", "mdio_bus", "phy", "ieee80211", "rfkill", "ptp", "pps", "wwan",
	"hwmon", "leds", "thermal", "power_supply", "backlight", "wakeup", "pci_bus", "devcoredump",
	"drm", "graphics", "drm_dp_aux_dev", "i2c-adapter", "i2c-dev", "sound", "accel", "cec",
	"input", "hidraw", "usbmisc", "usb_device", "video4linux", "dvb", "rc", "lirc", "tty", "printer",
	"misc", "mem", "mei", "virtio-ports", "vfio-dev",
}

// carriers are the kernel's drivers of things below a function that only carry what
// shows further below as a block device, a network interface, a mount or a
// character device that somebody must open, by bus; "*" is each driver of a bus
// (from memory; Linux drivers of that name). Whatever else a driver has may be used
// by the kernel itself.
var carriers = map[string][]string{
	"scsi":        {"sd", "sr", "st", "ch", "ses", "osst"}, // drivers/scsi: disks, tapes, changers; enclosures are mere attributes
	"virtio":      {"virtio_blk", "virtio_scsi", "virtio_net", "9pnet_virtio", "virtiofs"},
	"usb":         {"usb", "hub", "usb-storage", "uas"}, // drivers/usb/core/generic.c has each device; storage shows as SCSI disks
	"mmc":         {"mmcblk"},
	"memstick":    {"mspro_block", "ms_block"},
	"mdio_bus":    {"*"},                                  // the other end of a network interface (drivers/net/phy)
	"hdaudio":     {"*"},                                  // codecs of a sound card (sound/hda)
	"serial-base": {"*"},                                  // drivers/tty/serial/serial_base_bus.c
	"pci":         {"nvme", "pcieport"},                   // behind a VMD controller (drivers/pci/controller/vmd.c)
	"pci_express": {"*"},                                  // what a port serves its own slot with (drivers/pci/pcie)
	"auxiliary":   {"mlx5_core.eth", "mlx5_core.eth-rep"}, // drivers/net/ethernet/mellanox/mlx5: network interfaces
}

// byDriver are the buses on which a device is used by the driver that has it, so that
// one without is used by nobody (from memory; Linux drivers/*, bus_register). On others
// some have no driver although they are used: whatever asks the kernel for a GPIO line,
// a sensor's channel or a cell of an NVMEM shows nowhere.
var byDriver = []string{
	"scsi", "virtio", "usb", "pci", "pci_express", "mmc", "sdio", "memstick", "pcmcia", "ssb", "bcma", "mdio_bus", "auxiliary",
	"hdaudio", "ac97", "soundwire", "snd_seq", "media", "i2c", "spi", "platform", "acpi", "pnp", "serial", "serial-base", "serio", "hid", "firewire",
	"thunderbolt", "typec", "mei", "mdev", "vdpa", "nd", "dax", "cxl", "w1", "rmi4", "event_source",
}

// ByDriver tells whether a device on a bus that has no driver is no use.
func ByDriver(bus string) bool { return slices.Contains(byDriver, bus) }

// IdleClass tells whether a device of a class is no use by itself: who uses it
// shows elsewhere.
func IdleClass(class string) bool { return slices.Contains(idleClasses, class) }

// Carrier tells the same of one on a bus, by the driver that has it.
func Carrier(bus, driver string) bool {
	list := carriers[bus]
	return slices.Contains(list, driver) || slices.Contains(list, "*")
}

// usbSorts are what USB interfaces are for, by their class code, and where that says
// less by class, subclass and protocol (Linux include/uapi/linux/usb/ch9.h,
// USB_CLASS_*, after the USB-IF's list of defined class codes; of HID's boot
// protocols include/linux/hid.h, USB_INTERFACE_PROTOCOL_*).
var usbSorts = map[string]string{
	"01": "audio device", "02": "modem or serial adapter", "03": "input or control device", "030101": "keyboard", "030102": "mouse",
	"05": "physical device", "06": "camera", "07": "printer", "08": "storage device", "09": "hub", "0a": "modem or serial adapter",
	"0b": "smart card reader", "0d": "content security device", "0e": "camera", "0f": "health device", "10": "audio and video device",
	"11": "billboard", "12": "bridge of USB type C", "dc": "diagnostic device", "e0": "wireless adapter", "e00101": "Bluetooth adapter",
	"0202": "modem", "0206": "network adapter", "020d": "network adapter", "fe01": "device that is loaded anew", "fe03": "test instrument",
}

// USBSort says what a USB interface is for, by its three codes, two hexadecimal
// digits each; empty where they do not say.
func USBSort(class, subclass, protocol string) string {
	for _, code := range []string{class + subclass + protocol, class + subclass, class} {
		if sort := usbSorts[code]; sort != "" {
			return sort
		}
	}
	return ""
}
