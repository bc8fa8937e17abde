package facts

import (
	"slices"
	"time"
)

// Installed is what was seen of an installed operating system: in an image or on a
// drive, or by its own guest, which was asked while it ran. Several questions decide
// whether it starts from an NVMe drive; what was not seen is not known, never fine.
type Installed struct {
	Kind      string    `json:"kind"`                // "windows", "linux"; empty: none that is known, or it could not be read
	Name      string    `json:"name,omitempty"`      // what it calls itself, for people: "Debian GNU/Linux 12"
	Guest     string    `json:"guest,omitempty"`     // that was asked through its agent; empty: the bytes themselves were read
	AskedAt   time.Time `json:"asked_at,omitzero"`   // UTC, whole seconds: when the guest answered
	Partition int       `json:"partition,omitempty"` // number of the table's entry on which it was found; 0: several, or a guest was asked
	Answers   []Answer  `json:"answers,omitempty"`   // each question at most once
	Gap       string    `json:"gap,omitempty"`       // why more could not be seen
}

// Answer is what was seen of one question about an installed system.
type Answer struct {
	Question Matter `json:"question"`
	Says     Held   `json:"says"`               // present: as it must be; absent: seen, and not as it must be; unknown: neither
	Where    string `json:"where,omitempty"`    // what was read: `\Windows\System32\config\SYSTEM`, "/etc/fstab"
	Seen     string `json:"seen"`               // what stands there, or why it is not known
	Mendable bool   `json:"mendable,omitempty"` // absent, and a few bytes changed in place on a copy would mend it
}

// Matter is one of those that decide whether an installed system starts from an NVMe
// drive. Each but what is pending has the name of the step by hand that a person does
// where it is open.
type Matter string

// What is asked. Of Windows the first three are asked and what is pending, of Linux the
// driver, the names and the loader.
const (
	AsksDriver     Matter = "driver"       // its NVMe driver starts at boot; the initramfs holds it, or the kernel has it built in
	AsksEncryption Matter = "encryption"   // no key of the system's drive is bound to the old disk
	AsksShutdown   Matter = "fast startup" // shutting it down does not hibernate it
	AsksNames      Matter = "names"        // fstab, crypttab and kernel command line name disks by what they are
	AsksLoader     Matter = "loader"       // the loader's entries lead to a kernel and an initramfs that are there
	AsksPending    Matter = "pending"      // nothing waits for a restart
)

// Answer gives what was seen of a question; unknown where it was not asked.
func (i *Installed) Answer(q Matter) Answer {
	none := Answer{Question: q, Says: Unknown, Seen: "nobody looked"}
	if i == nil {
		return none
	}
	if at := slices.IndexFunc(i.Answers, func(a Answer) bool { return a.Question == q }); at >= 0 {
		return i.Answers[at]
	}
	if i.Gap != "" {
		none.Seen = i.Gap
	}
	return none
}
