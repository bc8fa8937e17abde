// Package twin says of which parts an emulated machine is made that is like a
// surveyed host: the same functions in the same IOMMU groups, the same drives
// with the same contents, the same guests. It knows nothing of QEMU's options,
// files or processes. Start at Of; Machine.Unlike is what it could not copy.
package twin
