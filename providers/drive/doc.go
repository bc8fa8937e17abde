// Package drive acts on drives of the host: it mounts and unmounts filesystems,
// finds a drive by what it is, and writes its ends, tables and filesystems.
// Start at Mounts and Drives.
package drive
