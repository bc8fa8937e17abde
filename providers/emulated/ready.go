package emulated

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strings"
)

// programs are what has to be installed, each with the Debian package it is in.
var programs = [][2]string{
	{"qemu-system-x86_64", "qemu-system-x86"},
	{"qemu-img", "qemu-utils"},
	{"apt-get", "apt"},
	{"dpkg-deb", "dpkg"},
	{"tar", "tar"},
}

// builds is what builds the agent where none is installed.
var builds = [2]string{"go", "golang"}

// Missing says why this computer cannot run an emulated host, nil where it can.
func Missing() error { return missing(append(slices.Clone(programs), builds)) }

// MissingInstalled is Missing for StartInstalled.
func MissingInstalled() error { return missing(programs) }

func missing(programs [][2]string) error {
	if runtime.GOOS != "linux" || runtime.GOARCH != "amd64" {
		return fmt.Errorf("an emulated host needs linux on amd64, this is %s on %s", runtime.GOOS, runtime.GOARCH)
	}
	var absent []string
	for _, program := range programs {
		if _, err := exec.LookPath(program[0]); err != nil {
			absent = append(absent, fmt.Sprintf("%s (package %s)", program[0], program[1]))
		}
	}
	if _, err := os.Stat("/usr/sbin/mke2fs"); err != nil {
		absent = append(absent, "mke2fs (package e2fsprogs)")
	}
	if len(absent) > 0 {
		return fmt.Errorf("an emulated host needs programs that are not here: %s", strings.Join(absent, ", "))
	}
	return memory()
}

// needed is the memory of a host as described by default, with what QEMU takes
// for itself under emulation.
const needed = 3400 << 20

// memory says what is missing of the memory a host takes.
func memory() error {
	file, err := os.Open("/proc/meminfo")
	if err != nil {
		return fmt.Errorf("look for memory: %w", err)
	}
	defer file.Close()
	for lines := bufio.NewScanner(file); lines.Scan(); {
		var kilobytes int64
		if n, _ := fmt.Sscanf(lines.Text(), "MemAvailable: %d kB", &kilobytes); n == 1 && kilobytes<<10 < needed {
			return fmt.Errorf("an emulated host needs %d MiB of memory, %d are available", needed>>20, kilobytes>>10)
		}
	}
	return nil
}

// acceleration says whether KVM is used, and why not where it is not. The
// device alone proves nothing: kernels that run without the processor's
// virtualization have it too, and cannot run Debian's kernel.
func acceleration() (bool, string) {
	device, err := os.OpenFile("/dev/kvm", os.O_RDWR, 0)
	if err != nil {
		return false, err.Error()
	}
	device.Close()
	flags, err := os.ReadFile("/proc/cpuinfo")
	if err != nil {
		return false, err.Error()
	}
	if !virtualizes(flags) {
		return false, "/proc/cpuinfo shows neither vmx nor svm"
	}
	return true, ""
}

// virtualizes looks for the processor's own virtualization among its flags.
func virtualizes(cpuinfo []byte) bool {
	for line := range bytes.Lines(cpuinfo) {
		if name, flags, _ := bytes.Cut(line, []byte(":")); string(bytes.TrimSpace(name)) == "flags" {
			for _, flag := range bytes.Fields(flags) {
				if string(flag) == "vmx" || string(flag) == "svm" {
					return true
				}
			}
		}
	}
	return false
}
