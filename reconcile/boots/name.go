package boots

import (
	"path"
	"regexp"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// tags name a filesystem or partition by what it says of itself (mount(8), "Indicating
// the device and filesystem"); ID= is the disk's own name and not among them.
var tags = []string{"UUID", "LABEL", "PARTUUID", "PARTLABEL"}

// folders of /dev in which links name disks (systemd udev rules, 60-persistent-storage.rules,
// 60-persistent-storage-dm.rules).
var folders = map[string]bool{
	"by-uuid": true, "by-label": true, "by-partuuid": true, "by-partlabel": true,
	"by-path": false, "by-diskseq": false,
}

// inID are the links of /dev/disk/by-id by what begins their names (the same rules). The
// others are of a disk's serial or world-wide name: true stays with the bytes.
var inID = []struct {
	begins string
	stays  bool
}{
	{"dm-uuid-LVM-", true}, {"dm-uuid-CRYPT-", true}, {"dm-name-", true}, {"lvm-pv-uuid-", true}, {"md-uuid-", true}, {"md-name-", true},
	{"virtio-", false}, {"ata-", false}, {"scsi-", false}, {"usb-", false}, {"wwn-", false}, {"ieee1394-", false}, {"mmc-", false}, {"dasd-", false}, {"xen-", false},
}

// The kernel numbers these in the sequence in which it finds them (Linux
// Documentation/admin-guide/devices.txt); none of them is what an NVMe drive is called.
var (
	numberedDisk = regexp.MustCompile(`^((vd|sd|hd|xvd|ubd)[a-z]+[0-9]*|mmcblk[0-9]+(p[0-9]+)?|dasd[a-z]+[0-9]*)$`)
	numberedNVMe = regexp.MustCompile(`^nvme[0-9]+n[0-9]+(p[0-9]+)?$`)
	inMemory     = regexp.MustCompile(`^(zram[0-9]+|u?random|null|zero)$`)
)

// A volume of LVM is its group and itself, joined by one hyphen; those within either
// are doubled (lvm(8), "VALID NAMES"; dm_build_dm_name). Names that Debian's installer,
// Fedora's and systemd give to what they open of encrypted partitions stand beside it.
var mappedName = regexp.MustCompile(`^([A-Za-z0-9_.+]|--)+-([A-Za-z0-9_.+]|--)+$|^[A-Za-z0-9_.+-]+_crypt$|^luks-[0-9a-f-]+$`)

// foreignName is of what is put together by the disks' own names: multipath and the
// sets of motherboards (multipath.conf(5), dmraid(8)).
var foreignName = regexp.MustCompile(`^(mpath|[0-9a-f]{17}|[0-9a-f]{33}|(isw|nvidia|via|sil|pdc|jmicron|asr|ddf1|hpt37x|hpt45x|lsi|nv)_)`)

const (
	byPlace = "that is where or in what sequence a disk is found, and an NVMe drive has another"
	byDisk  = "that is the name of the disk itself, and the drive has another"
)

// Name judges how a text names a disk: present where it says what is on it, which
// stays when the bytes move to an NVMe drive, absent where the old disk's name or
// place is meant, else unknown. The reason is for what is not present. Names under
// /dev/mapper that the system gives itself may be told.
func Name(name string, mapped ...string) (facts.Held, string) {
	if tag, value, ok := strings.Cut(name, "="); ok && !strings.HasPrefix(name, "/") {
		value = strings.Trim(value, `"'`)
		switch {
		case value == "":
			return facts.Unknown, "it names nothing"
		case slices.Contains(tags, tag):
			return facts.Present, ""
		case tag == "ID":
			return byID(value)
		}
	}
	rest, device := strings.CutPrefix(path.Clean(name), "/dev/")
	if !device {
		return facts.Unknown, "lendkeep does not know what that names"
	}
	folder, inside, deep := strings.Cut(rest, "/")
	switch {
	case !deep:
		return byNumber(rest)
	case folder == "disk":
		return byLink(inside)
	case folder == "mapper":
		return byMapper(inside, mapped)
	case folder == "block":
		return facts.Absent, byPlace
	}
	return facts.Unknown, "lendkeep does not know what that names"
}

func byNumber(name string) (facts.Held, string) {
	switch {
	case numberedDisk.MatchString(name):
		return facts.Absent, byPlace
	case numberedNVMe.MatchString(name):
		return facts.Unknown, "NVMe drives are numbered in the sequence in which they are found"
	case inMemory.MatchString(name), name == "gpt-auto-root":
		return facts.Present, ""
	}
	return facts.Unknown, "lendkeep does not know what that names"
}

func byLink(link string) (facts.Held, string) {
	folder, name, _ := strings.Cut(link, "/")
	stays, known := folders[folder]
	switch {
	case name == "":
		return facts.Unknown, "it names nothing"
	case folder == "by-id":
		return byID(name)
	case !known:
		return facts.Unknown, "lendkeep does not know what that names"
	case !stays:
		return facts.Absent, byPlace
	}
	return facts.Present, ""
}

func byID(name string) (facts.Held, string) {
	for _, link := range inID {
		if strings.HasPrefix(name, link.begins) {
			if link.stays {
				return facts.Present, ""
			}
			return facts.Absent, byDisk
		}
	}
	return facts.Unknown, "it names a disk by its own name, and lendkeep does not know whether that is the drive's"
}

func byMapper(name string, mapped []string) (facts.Held, string) {
	switch {
	case slices.Contains(mapped, name):
		return facts.Present, ""
	case foreignName.MatchString(name):
		return facts.Unknown, "that may be put together from the disks' own names"
	case mappedName.MatchString(name):
		return facts.Present, ""
	}
	return facts.Unknown, "lendkeep does not know of what that is made"
}
