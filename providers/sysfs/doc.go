// Package sysfs reads a host's facts below a root directory, which is / or a
// captured tree, and moves PCI functions between the host's driver and
// vfio-pci. Start at Open, then Tree.Survey.
//
// The files follow the kernel's directories: pci.go, nvme.go, block.go and so
// on. Every read names its path, and what cannot be read becomes a gap.
package sysfs
