// Package emuhost runs a whole virtualization host in software: QEMU with an
// emulated IOMMU and NVMe controllers, in it Debian's kernel with VFIO, udev
// and libvirt. Tests ask for one with a machine.Machine, run programs in it,
// cut its power and look at what the kernel and libvirt say. Start at Start.
package emuhost
