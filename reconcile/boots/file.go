// Package boots judges whether an installed system will start from an NVMe drive: a
// Linux by its texts, how they name disks and whether the kernel finds its driver; a
// Windows by numbers of its registry. Who read them, from bytes or by asking the guest,
// does not matter. Start at Names and Driver.
package boots

import (
	"fmt"
	"strings"
)

// File is a text of an installed system.
type File struct {
	Kind Kind
	Path string // as the system names it: "/etc/fstab"
	Text string // of a file that is not there: empty
	Gap  string // why it is not known, or not whole; then Text is not judged
}

// Kind says how a text is to be read.
type Kind string

// Of a line that only later kernels are given, an update of the system makes the one
// with which it starts.
const (
	Fstab     Kind = "fstab"
	Crypttab  Kind = "crypttab"
	Line      Kind = "kernel command line" // one, with which the system is started
	LaterLine Kind = "kernel command line of later kernels"
	Defaults  Kind = "defaults of GRUB" // /etc/default/grub, and the like: shell assignments
	Unit      Kind = "mount unit"       // of systemd: systemd.mount(5), systemd.swap(5)
)

// lineMost bounds a line that is quoted.
const lineMost = 160

// quoted shows a line of a file, from which nothing acts on whoever reads it.
func quoted(line string) string {
	line = strings.TrimSpace(line)
	if len(line) > lineMost {
		line = strings.ToValidUTF8(line[:lineMost], "") + "..."
	}
	return fmt.Sprintf("%q", line)
}
