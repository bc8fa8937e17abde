//go:build libvirt_dlopen

package libvirt

import (
	"fmt"

	"libvirt.org/go/libvirt"
)

// Version gives the version of libvirt's library on this machine, "9.0.0"; ErrMissing
// where there is none. No daemon is asked.
func Version() (string, error) {
	v, err := libvirt.GetVersion()
	if err != nil {
		return "", explain("ask libvirt's library for its version", found(err))
	}
	// libvirt's own form (libvirt-host.h, virGetVersion): 1,000,000 * major + 1,000 * minor + release.
	return fmt.Sprintf("%d.%d.%d", v/1_000_000, v/1_000%1_000, v%1_000), nil
}
