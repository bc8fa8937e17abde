// Package emulated runs a whole virtualization host in software: QEMU with an
// emulated IOMMU and NVMe controllers, in it Debian's kernel with VFIO, udev
// and libvirt. Who asks for one with a machine.Machine runs programs in it,
// cuts its power and looks at what the kernel and libvirt say. Start at Start.
package emulated
