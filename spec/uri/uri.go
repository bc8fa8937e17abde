// Package uri says which connections to libvirt a file may state: a layout, an order,
// the guard's rules. Start at Wrong.
package uri

import (
	"fmt"
	"net/url"
	"regexp"
	"sync"
)

// plain is a driver of this machine's own libvirt: no parameters, since libvirt runs
// the program that one names (command, netcat), loads what lies in a folder (root),
// takes whoever listens at a socket for itself, and passes name on to its service,
// which opens that in turn (libvirt, "Connection URIs" and "Remote support"); and no
// way to it that starts a program (ext, ssh, libssh, libssh2).
var plain = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[a-z]+(\+unix)?:///[a-z]+$`) })

// Wrong says why a file may not state a connection; empty: it may.
func Wrong(uri string) string {
	if plain().MatchString(uri) {
		return ""
	}
	switch u, err := url.Parse(uri); {
	case err != nil || u.Scheme == "" || u.Opaque != "":
		return "a connection URI looks like qemu:///system"
	case u.Host != "":
		return fmt.Sprintf("%q is another host; lendkeep runs on the host itself", u.Host)
	default:
		return "a file states a driver of this machine alone, as qemu:///system: what else stands in one may have libvirt run a program, and is left to --connect"
	}
}
