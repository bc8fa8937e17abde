package spec

import (
	"cmp"
	"fmt"
	"net"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"

	"lendkeep/spec/pci"
	"lendkeep/spec/place"

	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// Each function here says what is wrong with a text, or "" if nothing is.

// Lengths that the formats below leave for a text.
const (
	maxName      = 64   // HOST_NAME_MAX of Linux; our own names need no more
	maxSerial    = 20   // NVM Express Base Specification, Identify Controller: SN
	maxModel     = 40   // the same: MN
	maxGPTName   = 36   // UTF-16 units; UEFI Specification 2.10, 5.3.3
	maxPath      = 4095 // PATH_MAX of Linux without the ending zero
	maxInterface = 15   // IFNAMSIZ of Linux without the ending zero
)

// wrongName judges names that a layout makes up: they are referred to, and
// become parts of file names.
func wrongName(name string) string {
	switch {
	case len(name) > maxName:
		return fmt.Sprintf("a name may have %d bytes", maxName)
	case !hclsyntax.ValidIdentifier(name):
		return "a name has letters, digits, - and _, and begins with a letter"
	default:
		return ""
	}
}

// wrongLibvirtName judges names of guests and networks, which libvirt may have
// had before: it takes everything but a slash and line ends.
func wrongLibvirtName(name string) string {
	switch {
	case strings.TrimSpace(name) != name || name == "":
		return "libvirt wants no white space at the ends of a name"
	case strings.Contains(name, "/") || name == "." || name == "..":
		return "libvirt keeps a file of this name, so it has no slash"
	default:
		return wrongLine(name, 255)
	}
}

// wrongHost judges the host's name; RFC 1123, 2.1.
func wrongHost(name string) string {
	if len(name) > maxName || !hostName.MatchString(name) {
		return "a host's name has letters, digits, - and dots, as hostname prints it"
	}
	return ""
}

var hostName = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?(\.[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?)*$`)

// wrongPartition judges GPT partition names.
func wrongPartition(name string) string {
	if n := len(utf16.Encode([]rune(name))); n > maxGPTName {
		return fmt.Sprintf("a GPT partition name has at most %d characters", maxGPTName)
	}
	if strings.TrimSpace(name) != name || name == "" {
		return "a partition's name has no white space at its ends"
	}
	return wrongLine(name, maxName*2)
}

// wrongLine judges any text that ends up in one line of something.
func wrongLine(text string, limit int) string {
	switch {
	case len(text) > limit:
		return fmt.Sprintf("it may have %d bytes", limit)
	case !utf8.ValidString(text) || strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }):
		return "it holds characters that cannot be seen"
	default:
		return ""
	}
}

func wrongSerial(serial string) string { return wrongIdentify(serial, maxSerial) }

func wrongModel(model string) string { return wrongIdentify(model, maxModel) }

// wrongDiskSerial judges serials of any disk: ATA has 20 characters for them,
// SCSI more.
func wrongDiskSerial(serial string) string {
	if strings.TrimSpace(serial) != serial {
		return "the spaces around it are padding; leave them out"
	}
	return wrongLine(serial, maxName)
}

// wrongIdentify judges texts of the Identify Controller structure: printable
// ASCII, of fixed length and padded with spaces, which are not stated here.
func wrongIdentify(text string, limit int) string {
	switch {
	case len(text) > limit:
		return fmt.Sprintf("NVMe leaves %d characters for it", limit)
	case strings.TrimSpace(text) != text || text == "":
		return "the spaces around it are padding; leave them out"
	case strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r > '~' }):
		return "NVMe allows printable ASCII only"
	default:
		return ""
	}
}

// wrongPath judges paths of files: absolute, and written in the one shortest
// way, so that two of them can be compared as text.
func wrongPath(file string) string {
	switch {
	case !strings.HasPrefix(file, "/"):
		return fmt.Sprintf("%q is relative; the path must begin with /", file)
	case len(file) > maxPath:
		return fmt.Sprintf("a path may have %d bytes", maxPath)
	case path.Clean(file) != file:
		return fmt.Sprintf("%q can be written shorter: %q", file, path.Clean(file))
	case file == "/":
		return "the path names the root directory"
	default:
		return wrongLine(file, maxPath)
	}
}

// wrongFile judges paths of images: what a kernel makes up is no file, and a
// device under /dev has another name after the next boot.
func wrongFile(file string) string {
	if why := wrongPath(file); why != "" {
		return why
	}
	for _, dir := range []string{"/dev", "/proc", "/sys"} {
		if place.Within(file, dir) {
			return fmt.Sprintf("%q is no file of a disk; name partitions by GPT id: partition(\"…\")", file)
		}
	}
	return ""
}

// wrongImage judges paths of images, which guests write and read.
func wrongImage(file string) string { return cmp.Or(wrongFile(file), place.Wrong(file)) }

// loaderMost is the length of a path that FAT takes (Microsoft's FAT32 File
// System Specification 1.03, "Name limits").
const loaderMost = 259

// wrongLoader judges the path of a program on an EFI system partition, of which
// a device path, the UEFI Shell and a boot menu all have to make the same.
func wrongLoader(file string) string {
	for _, c := range file {
		if c == '/' {
			return fmt.Sprintf("%q has slashes where firmware has backslashes; in quotes each is written twice: \"\\\\EFI\\\\BOOT\\\\BOOTX64.EFI\"", file)
		}
		if c < ' ' || c > '~' || strings.ContainsRune("\"%^*?[]<>|#:;,", c) {
			return fmt.Sprintf("%q has %q in it, which cannot be in it", file, c)
		}
	}
	switch {
	case !strings.HasPrefix(file, `\`):
		return fmt.Sprintf("%q does not begin with a backslash; in quotes it is written twice", file)
	case len(file) > loaderMost:
		return fmt.Sprintf("it has %d characters where %d are possible", len(file), loaderMost)
	case strings.Contains(file, `\\`) || slices.ContainsFunc(strings.Split(file, `\`), func(part string) bool { return part == "." || part == ".." }):
		return fmt.Sprintf("%q is not in its shortest form", file)
	case !strings.HasSuffix(strings.ToLower(file), ".efi"):
		return fmt.Sprintf("%q is no EFI program, whose name ends with .efi", file)
	}
	return ""
}

// wrongMountPath judges where a lent drive may be mounted.
func wrongMountPath(dir string) string { return cmp.Or(wrongPath(dir), place.Wrong(dir)) }

func wrongMountOption(option string) string {
	if option == "" || strings.ContainsAny(option, ", \t\"\\") {
		return "state one option an element, without commas, spaces and quotes"
	}
	return wrongLine(option, maxPath)
}

var guidForm = regexp.MustCompile(`^[0-9a-fA-F]{8}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{12}$`)

// wrongGUID judges GPT partition ids in the text form of RFC 4122, 3.
func wrongGUID(id string) string {
	if !guidForm.MatchString(id) {
		return "a partition's id has 32 hexadecimal digits: 8-4-4-4-12, as blkid prints PARTUUID"
	}
	if strings.Trim(id, "0-") == "" {
		return "an id of zeros only marks an unused entry"
	}
	return ""
}

var macForm = regexp.MustCompile(`^([0-9a-fA-F]{2}:){5}[0-9a-fA-F]{2}$`)

// wrongMAC judges Ethernet addresses of a card: six bytes, and the group bit
// (IEEE 802, 8.2: the lowest one of the first byte) not set.
func wrongMAC(mac string) string {
	hw, err := net.ParseMAC(mac)
	switch {
	case err != nil || !macForm.MatchString(mac):
		return "a MAC address has six pairs of hexadecimal digits: 52:54:00:12:34:56"
	case hw[0]&1 != 0:
		return "it is a group address; the second digit of a card's address is even"
	case strings.Trim(mac, "0:") == "":
		return "an address of zeros is none"
	default:
		return ""
	}
}

var pciDigits = regexp.MustCompile(`^[0-9a-fA-F]{4}$`)

func wrongPCI(id string) string {
	if !pciDigits.MatchString(id) {
		return "a PCI number has four hexadecimal digits, as lspci -n prints it: \"1b36\""
	}
	return ""
}

// pciID turns a text that wrongPCI let pass, or an empty one, into its number.
func pciID(text string) pci.ID {
	n, _ := strconv.ParseUint(text, 16, 16)
	return pci.ID(n)
}

// wrongSlot judges names under /sys/bus/pci/slots.
func wrongSlot(slot string) string {
	if strings.ContainsAny(slot, "/ ") {
		return "a slot is named as under /sys/bus/pci/slots"
	}
	return wrongLine(slot, maxName)
}

func wrongInterface(name string) string {
	if len(name) > maxInterface || strings.ContainsAny(name, "/: ") || name == "." || name == ".." {
		return fmt.Sprintf("an interface has up to %d characters, without slash, colon and space", maxInterface)
	}
	return wrongLine(name, maxInterface)
}

var modelForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]*$`)

// wrongModelName judges models of network cards. Which of them there are
// depends on the QEMU at hand, so libvirt has the last word.
func wrongModelName(model string) string {
	if len(model) > maxName || !modelForm.MatchString(model) {
		return "a model looks like virtio or e1000e"
	}
	return ""
}
