// Package definition reads and edits guests' XML as libvirt prints it. It
// changes only what a layout states and leaves every other byte as it was.
// Start at Read, Edit and Create.
package definition
