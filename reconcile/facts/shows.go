package facts

import "slices"

// fleeting are classes and buses of devices below a function that say nothing of how
// its driver works: they come and go meanwhile, are plugged in, or are listed
// otherwise (from memory; Linux drivers/base/devcoredump.c, firmware_loader and
// power/wakeup_stats.c, drivers/usb/typec, drivers/media/cec, drivers/mmc/core/bus.c).
var fleeting = []string{
	"devcoredump", "firmware", "wakeup", "usb_power_delivery", "cec",
	"mmc", "memstick", "pcmcia",
	"net", "block", "bdi", "nvme", "vfio-dev",
}

// Tells tells whether a device of a class or on a bus, which a function's driver has
// made, tells that the driver works.
func Tells(class string) bool { return !slices.Contains(fleeting, class) }
