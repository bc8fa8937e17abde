// Package drive acts on drives of the host: so far it mounts and unmounts
// filesystems. Start at Mounts.
package drive
