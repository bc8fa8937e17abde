package holding

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
)

// anyMinor stands for all character devices of one major number.
const anyMinor = ^uint32(0)

// common are character devices that one driver has for all its functions, by their
// name or by that of their major number, where that does not begin with the
// driver's (from memory; Linux drivers/gpu/drm/amd/amdkfd/kfd_chardev.c,
// drivers/scsi/mpt3sas/mpt3sas_ctl.c, aacraid/linit.c, 3w-*.c,
// megaraid/megaraid_mm.c, drivers/crypto/ccp/sev-dev.c, drivers/char/hw_random).
var common = map[string][]string{
	"kfd": {"amdgpu"}, "mpt3ctl": {"mpt3sas"}, "mpt2ctl": {"mpt3sas"}, "aac": {"aacraid"}, "twa": {"3w-9xxx"}, "twl": {"3w-sas"}, "twe": {"3w-xxxx"},
	"megadev0": {"megaraid_mbox"}, "megadev": {"megaraid_mbox"}, "sev": {"ccp"}, "nvme-fabrics": {"nvme-fabrics"}, "nvidia-frontend": {"nvidia"},
}

// serves tells whether a character device of that name may be one of a driver's.
func serves(name, driver string) bool {
	if list := common[name]; list != nil {
		for _, of := range list {
			if of == driver {
				return true
			}
		}
		return false
	}
	plain := func(s string) string { return strings.ReplaceAll(s, "-", "_") }
	return len(driver) > 2 && strings.HasPrefix(plain(name), plain(driver))
}

// sharedBy gives the functions that a character device of no function may belong to.
func sharedBy(s *facts.Survey, name string) []facts.Address {
	var list []facts.Address
	for _, f := range s.Functions {
		if f.Driver != "" && serves(name, f.Driver) {
			list = append(list, f.Address)
		}
	}
	return list
}

// unshown finds the major numbers of drivers whose devices /sys does not show: some
// register a number, and make the nodes themselves. Such a number belongs to the
// functions of the driver that it is named after. One that is named after no driver
// at all may be of any that was not made with the kernel.
func unshown(s *facts.Survey, of map[facts.Address]bool, shown map[uint32]bool) ([]below, error) {
	content, err := os.ReadFile("/proc/devices")
	if err != nil {
		return nil, fmt.Errorf("list numbers of character devices: %w", err)
	}
	drivers, err := driversOf("/sys/bus/pci/drivers")
	if err != nil {
		return nil, err
	}
	var list []below
	for major, name := range majors(string(content)) {
		if shown[major] || name == "pts" || name == "ptm" { // terminals have no devices (Linux drivers/tty/pty.c)
			continue
		}
		known := false
		for driver := range drivers {
			known = known || serves(name, driver)
		}
		for _, f := range s.Functions {
			if of[f.Address] && (serves(name, f.Driver) || !known && drivers[f.Driver]) {
				list = append(list, below{f.Address, node{kind: character, at: facts.Devno{Major: major, Minor: anyMinor}}, name, "of number " + strconv.Itoa(int(major))})
			}
		}
	}
	return list, nil
}

// majors reads the first half of /proc/devices (proc(5)).
func majors(content string) map[uint32]string {
	found := map[uint32]string{}
	for line := range strings.Lines(content) {
		if strings.HasPrefix(line, "Block devices") {
			break
		}
		fields := strings.Fields(line)
		if len(fields) != 2 {
			continue
		}
		if major, err := strconv.ParseUint(fields[0], 10, 32); err == nil {
			found[uint32(major)] = fields[1]
		}
	}
	return found
}

// driversOf gives the drivers of PCI functions, and of each whether it came from
// elsewhere than the kernel (Linux Documentation/admin-guide/tainted-kernels.rst: O
// and P of /sys/module/NAME/taint). What cannot be told counts as from elsewhere.
func driversOf(dir string) (map[string]bool, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("list drivers of PCI functions: %w", err)
	}
	foreign := map[string]bool{}
	for _, e := range entries {
		taint, err := os.ReadFile(path.Join(dir, e.Name(), "module", "taint"))
		built := errors.Is(err, fs.ErrNotExist)
		foreign[e.Name()] = !built && (err != nil || strings.ContainsAny(string(taint), "OP"))
	}
	return foreign, nil
}
