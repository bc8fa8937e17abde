package facts

import "strings"

// Where the service that watches lends lies on a host. The program is put there
// with lendkeep itself, the unit by an order; the link makes it start with the
// host (systemd.unit(5), "systemctl enable").
const (
	WatchProgram = "/usr/bin/lendkeep"
	WatchUnit    = "/etc/systemd/system/" + WatchName
	WatchLink    = "/etc/systemd/system/multi-user.target.wants/" + WatchName
	WatchName    = "lendkeep-watch.service"
)

// WatchMark is the first line of every unit that lendkeep wrote.
const WatchMark = "# lendkeep: watches lends and returns."

// WatchFiles are what an order installs of the service.
type WatchFiles struct {
	Unit    string `json:"unit,omitempty"`    // content of WatchUnit; empty: none is there
	Enabled bool   `json:"enabled,omitempty"` // it starts with the host
	Mode    Mode   `json:"mode,omitempty"`    // of the unit, where it is not what an order sets
}

// InstalledWatch is what is installed to watch lends.
type InstalledWatch struct {
	Systemd bool `json:"systemd,omitempty"` // systemd runs the host
	Program bool `json:"program,omitempty"` // lendkeep is at WatchProgram
	WatchFiles
	Gaps []Gap `json:"gaps,omitempty"`
}

// Known tells whether all of it could be read, and nobody but root can have
// written it.
func (w InstalledWatch) Known() bool { return len(w.Gaps) == 0 }

// Ours tells whether the unit's place is free or taken by a unit of lendkeep's.
func (w InstalledWatch) Ours() bool { return w.Unit == "" || strings.HasPrefix(w.Unit, WatchMark) }
