// Package drive acts on drives of the host: it finds a drive by what it is, looks into
// it, and writes its ends, tables and filesystems. Start at Contents and Drives.
package drive
