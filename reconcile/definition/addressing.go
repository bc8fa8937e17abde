package definition

import (
	"regexp"
	"strconv"
	"strings"
	"sync"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// readAddressing reads what decides whether large regions of lent functions find a
// place, and how much may be locked (libvirt domain format: "CPU model and topology",
// "Memory Tuning"). A width that is no number counts as none stated.
func readAddressing(guest *etree.Element, d *facts.Definition) (err error) {
	a := &d.Addressing
	width := at(guest, "cpu", "maxphysaddr")
	if a.HostBits = attr(width, "mode") == "passthrough"; !a.HostBits {
		a.Bits = upTo(attr(width, "bits"), 64)
	}
	a.HostMaker = strings.HasPrefix(attr(child(guest, "cpu"), "mode"), "host-")
	a.WindowMiB = uint64(upTo(windowStated(guest), 1<<24))
	a.IOMMU = at(guest, "devices", "iommu") != nil
	if limit := at(guest, "memtune", "hard_limit"); limit != nil {
		a.LimitBytes, err = bytesOf(limit)
	}
	return err
}

func upTo(word string, most int) int {
	number, err := strconv.Atoi(word)
	if err != nil || number < 0 || number > most {
		return 0
	}
	return number
}

// windowName is where OVMF looks for the size of its window, in MiB (edk2
// OvmfPkg/Library/PlatformInitLib/MemDetect.c, which takes up to 16 TiB).
const windowName = "opt/ovmf/X-PciMmio64Mb"

var windowArgument = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`(?:^|,)name=` + windowName + `,string=(\d+)(?:,|$)`) })

// windowStated finds it: libvirt's own way to pass it, or an argument for QEMU.
func windowStated(guest *etree.Element) string {
	for _, told := range children(guest, "sysinfo") {
		for _, entry := range children(told, "entry") {
			if attr(told, "type") == "fwcfg" && attr(entry, "name") == windowName {
				return text(entry)
			}
		}
	}
	for e := range guest.ChildElementsSeq() {
		for arg := range e.ChildElementsSeq() {
			if spaces[arg.NamespaceURI()] != "qemu" || arg.Tag != "arg" {
				continue
			}
			if m := windowArgument().FindStringSubmatch(attr(arg, "value")); m != nil {
				return m[1]
			}
		}
	}
	return ""
}
