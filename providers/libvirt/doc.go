//go:build libvirt_dlopen

// Package libvirt talks to libvirt, and is the only one that does. Start at
// Open for a host's own libvirt, at OpenJudge for the one in the process that
// judges definitions without a hypervisor.
//
// It is built with the tag libvirt_dlopen alone and needs gcc but none of
// libvirt's headers: the library is loaded when it is first needed, and its
// absence is an error (ErrMissing). Without the tag there is no such package.
package libvirt
