package sysfs

import (
	"bytes"
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
)

// readMachine reads what the kernel says of itself and of the whole host.
func (s *survey) readMachine(ctx context.Context) {
	m := &s.out.Machine
	proc := s.whole("proc")
	m.ID = s.machineID()
	m.Name = proc.text("machine.name", "sys/kernel/hostname")
	m.CommandLine = proc.text("machine.command_line", "cmdline")
	m.MemoryBytes, s.out.Topology.PageSize = s.memory(proc)
	m.CPUs = s.cpus(proc)
	m.Units, m.DMATable, m.VFIO = s.units(), s.dmaTable(), s.loaded()
	m.IOMMUs = len(m.Units)
	m.HugePages = s.hugePages()
	m.LimitBytes = s.guestsLimit()
	s.readTopology()
	s.readKernel(ctx)
}

// readKernel reads what decides how the kernel goes about lending, and what it
// may have in use without showing it.
func (s *survey) readKernel(context.Context) {
	proc := s.whole("proc")
	s.out.Machine.Kernel = s.release(proc)
	s.out.Machine.ZFS = s.zfs(proc)
}

// application tells lendkeep's identity of a machine from other programs'.
const application = "lendkeep: machine"

// MachineID gives what a survey says as facts.Machine.ID.
func (t Tree) MachineID() string { return t.begin().machineID() }

// machineID derives a machine's identity from /etc/machine-id, which itself is
// nobody else's matter (machine-id(5): use a keyed hash of it, as
// sd_id128_get_machine_app_specific(3) does). This machine must have one; a
// captured tree may lack it.
func (s *survey) machineID() string {
	etc := s.whole("etc")
	text, there := etc.textIfAny("machine.id", "machine-id")
	if !there {
		if s.machine {
			etc.gap("machine.id", "machine-id", errors.New("it is not there (systemd-machine-id-setup makes one)"))
		}
		return ""
	}
	key, err := hex.DecodeString(text)
	if err != nil || len(key) != 16 {
		if text != "" {
			etc.gap("machine.id", "machine-id", errors.New("it is no machine id"))
		}
		return ""
	}
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(application))
	return hex.EncodeToString(mac.Sum(nil)[:16])
}

// release reads "Linux version 6.1.0-56-amd64 (...", which every kernel has.
func (s *survey) release(proc place) string {
	text := proc.text("machine.kernel", "version")
	fields := strings.Fields(text)
	if len(fields) < 3 || fields[1] != "version" {
		if text != "" {
			proc.gap("machine.kernel", "version", unexpected(text))
		}
		return ""
	}
	return fields[2]
}

// memory reads what /proc/meminfo gives in units of 1024 bytes: MemTotal, and
// Hugepagesize, which a kernel without huge pages has not.
func (s *survey) memory(proc place) (total, page uint64) {
	content, err := s.read("proc/meminfo")
	if err == nil {
		total, err = meminfo(content, "MemTotal:")
	}
	if err != nil {
		proc.gap("machine.memory_bytes", "meminfo", err)
		return 0, 0
	}
	page, _ = meminfo(content, "Hugepagesize:") // without it no size is the one that is meant
	return total, page
}

// guestsLimit reads memory.max, "max" or bytes (Documentation/admin-guide/
// cgroup-v2.rst). The older hierarchy has no such file.
func (s *survey) guestsLimit() uint64 {
	area := s.whole(path.Dir(strings.TrimPrefix(facts.GuestsLimit, "/")))
	text, there := area.textIfAny("machine.limit_bytes", path.Base(facts.GuestsLimit))
	if !there || text == "max" || text == "" {
		return 0
	}
	return area.parsed("machine.limit_bytes", path.Base(facts.GuestsLimit), text, 10, 64)
}

// meminfo gives the bytes on the line of that word.
func meminfo(content []byte, word string) (uint64, error) {
	for line := range strings.Lines(string(content)) {
		_, number, found := strings.Cut(line, word)
		if !found {
			continue
		}
		number, found = strings.CutSuffix(strings.TrimSpace(number), " kB")
		kilobytes, err := strconv.ParseUint(number, 10, 50)
		if found && err == nil {
			return kilobytes * 1024, nil
		}
		return 0, unexpected(line)
	}
	return 0, errors.New("it has no line " + strings.TrimSuffix(word, ":"))
}

// cpus counts the processors, and notes what the first says of itself (Linux
// arch/x86/kernel/cpu/proc.c; other architectures say neither).
func (s *survey) cpus(proc place) int {
	content, err := s.read("proc/cpuinfo")
	count := 0
	for line := range strings.Lines(string(content)) {
		name, value, _ := strings.Cut(line, ":")
		value = strings.TrimSpace(value)
		switch name = strings.TrimSpace(name); {
		case name == "processor":
			count++
		case name == "vendor_id" && count == 1:
			s.out.Machine.CPUMaker = value
		case name == "address sizes" && count == 1:
			bits, _, _ := strings.Cut(value, " bits physical")
			if width, err := strconv.ParseUint(bits, 10, 6); err == nil {
				s.out.Machine.AddressBits = int(width)
			}
		}
	}
	switch {
	case err != nil:
	case !ended(content):
		err = errCut
	case count == 0:
		err = errors.New("it has no line processor")
	}
	if err != nil {
		for _, fact := range []string{"machine.cpus", "machine.cpu_maker", "machine.address_bits"} {
			proc.gap(fact, "cpuinfo", err)
		}
	}
	return count
}

// zfs tells whether the module is loaded. Where that cannot be known the answer
// is yes: then members of pools count as used.
func (s *survey) zfs(proc place) bool {
	_, err := s.fsys.Lstat("sys/module/zfs")
	if err == nil {
		return true
	}
	if !errors.Is(err, fs.ErrNotExist) {
		proc.gap("machine.zfs", "../sys/module/zfs", err)
		return true
	}
	content, err := s.read("proc/modules")
	if errors.Is(err, fs.ErrNotExist) {
		if stat, err := s.fsys.Lstat("sys/module"); err == nil && stat.IsDir() {
			return false // a kernel that loads no modules
		}
	}
	if err == nil && len(content) > 0 && !ended(content) {
		err = errCut
	}
	if err != nil {
		proc.gap("machine.zfs", "modules", err)
		return true
	}
	return bytes.HasPrefix(content, []byte("zfs ")) || bytes.Contains(content, []byte("\nzfs "))
}

// hugePages reads the reserve of each size (Documentation/ABI/testing/
// sysfs-kernel-mm-hugepages); a kernel without huge pages has none.
func (s *survey) hugePages() []facts.Pages {
	return s.whole("sys/kernel/mm/hugepages").pages("machine.huge_pages")
}

// pages reads a directory that has one for each size of page.
func (p place) pages(fact string) []facts.Pages {
	var list []facts.Pages
	for _, name := range p.names(fact) {
		number, _ := strings.CutPrefix(name, "hugepages-")
		number, _ = strings.CutSuffix(number, "kB")
		size, err := strconv.ParseUint(number, 10, 50)
		if err != nil || size == 0 {
			p.gap(fact, name, unexpected(name))
			continue
		}
		list = append(list, facts.Pages{
			SizeBytes: size * 1024,
			Total:     int(p.number(fact, name+"/nr_hugepages", 10, 31)),
			Free:      int(p.number(fact, name+"/free_hugepages", 10, 31)),
			Promised:  int(p.numberIfAny(fact, name+"/resv_hugepages", 10, 31)), // nodes have neither of the two
			Spare:     int(p.numberIfAny(fact, name+"/nr_overcommit_hugepages", 10, 31)),
		})
	}
	slices.SortFunc(list, func(a, b facts.Pages) int { return cmp.Compare(a.SizeBytes, b.SizeBytes) })
	return list
}
