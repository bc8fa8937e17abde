package boots

import (
	"cmp"
	"fmt"
	"path"
	"regexp"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// Kernel is one that an installed system can start.
type Kernel struct {
	Name      string     // "6.1.0-18-amd64"
	First     bool       // the loader starts this one when nobody chooses another
	BuiltIn   facts.Held // its modules.builtin lists the NVMe driver
	Initramfs facts.Held // holds the driver as a module; of a kernel that has none: absent
	Where     string     // what was read of it, for people: "/boot/initrd.img-6.1.0-18-amd64"
	Why       string     // what was seen there, or why something is unknown
}

// modules are packed one by one in these ways (Linux init/Kconfig, MODULE_COMPRESS).
var moduleFile = regexp.MustCompile(`^nvme\.ko(\.(gz|xz|zst))?$`)

// IsModule tells whether a file is the NVMe driver's module by its path.
// nvmem_core.ko and nvme-core.ko are others.
func IsModule(name string) bool { return moduleFile.MatchString(path.Base(name)) }

// Lists tells whether a list of files, a line each, has the NVMe driver's module:
// modules.builtin, or what lsinitramfs and lsinitrd print, where the path comes last.
func Lists(list string) bool {
	for line := range strings.Lines(list) {
		if fields := strings.Fields(line); len(fields) > 0 && IsModule(fields[len(fields)-1]) {
			return true
		}
	}
	return false
}

// BuiltIn answers by a kernel's modules.builtin whether it has the driver built in.
func BuiltIn(list string) facts.Held {
	switch {
	case Lists(list):
		return facts.Present
	case strings.Contains(list, "kernel/") && strings.HasSuffix(list, "\n"):
		return facts.Absent
	}
	return facts.Unknown // empty or cut off
}

var configLine = regexp.MustCompile(`(?m)^(?:CONFIG_BLK_DEV_NVME=(y|m)|# CONFIG_BLK_DEV_NVME is (not) set)$`)

// Configured answers that by its configuration ("/boot/config-" and its release).
func Configured(config string) facts.Held {
	found := configLine.FindStringSubmatch(config)
	switch {
	case found == nil:
		return facts.Unknown
	case found[1] == "y":
		return facts.Present
	}
	return facts.Absent
}

// barring are lines of modprobe.d(5) and words of the command line (kernel-parameters.txt,
// modprobe(8), dracut.cmdline(7)) by which a module is not loaded by itself.
var barring = regexp.MustCompile(`(?m)^[ \t]*(?:blacklist|install)[ \t]+nvme(?:[-_]core)?(?:[ \t\r]|$)|(?:^|\s)(?:modprobe\.blacklist|module_blacklist|rd\.driver\.blacklist)=(?:\S*,)?nvme(?:[-_]core)?(?:,|\s|$)|(?:^|\s)initcall_blacklist=(?:\S*,)?nvme(?:_core)?_init(?:,|\s|$)`)

// Barred gives what in a text keeps the driver from being loaded; empty: nothing.
func Barred(text string) string { return strings.TrimSpace(barring.FindString(text)) }

// holds tells whether a kernel finds the driver.
func (k Kernel) holds() facts.Held {
	switch {
	case k.BuiltIn == facts.Present || k.Initramfs == facts.Present:
		return facts.Present
	case k.BuiltIn == facts.Absent && k.Initramfs == facts.Absent:
		return facts.Absent
	}
	return facts.Unknown
}

// Driver answers whether the NVMe driver is there at the start. The kernel that is
// started first decides; where that is not known, all must agree.
func Driver(kernels ...Kernel) facts.Answer {
	a := facts.Answer{Question: facts.AsksDriver, Says: facts.Unknown, Seen: "no kernel was found"}
	if len(kernels) == 0 {
		return a
	}
	deciding := slices.DeleteFunc(slices.Clone(kernels), func(k Kernel) bool { return !k.First })
	if len(deciding) == 0 {
		deciding = kernels
	}
	says := deciding[0].holds()
	a.Where = deciding[0].Where
	for _, k := range deciding[1:] {
		if k.holds() != says {
			says = facts.Unknown
		}
	}
	a.Says, a.Seen = says, tellKernels(deciding, kernels)
	return a
}

func tellKernels(deciding, all []Kernel) string {
	var parts []string
	for i, k := range deciding {
		if i == toldMost {
			parts = append(parts, fmt.Sprintf("and %d more", len(deciding)-i))
			break
		}
		parts = append(parts, k.tell())
	}
	if others := len(all) - len(deciding); others > 0 {
		lacking := 0
		for _, k := range all {
			if !k.First && k.holds() != facts.Present {
				lacking++
			}
		}
		if lacking > 0 {
			parts = append(parts, fmt.Sprintf("of %d other kernels that it can start, %d are not seen to hold it", others, lacking))
		}
	}
	return strings.Join(parts, "; ")
}

func (k Kernel) tell() string {
	var says string
	switch k.holds() {
	case facts.Present:
		says = "has the NVMe driver in its initramfs"
		if k.BuiltIn == facts.Present {
			says = "has the NVMe driver built in"
		}
	case facts.Absent:
		says = "has the NVMe driver neither built in nor in its initramfs"
	default:
		return fmt.Sprintf("kernel %.80s: %s", k.Name, cmp.Or(k.Why, "not known whether it has the NVMe driver"))
	}
	return fmt.Sprintf("kernel %.80s %s", k.Name, says)
}
