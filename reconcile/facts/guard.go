package facts

import "strings"

// Where lendkeep's guard lies on a host. libvirt runs every executable file of
// the hooks' folder, besides an operator's own hook, which stays (libvirt,
// "Hooks for specific system management"; since 6.5.0). The program is put
// there with lendkeep itself, the other files by an order.
const (
	GuardHook  = "/etc/libvirt/hooks/qemu.d/lendkeep"
	GuardRules = "/etc/lendkeep/rules.json"
	// GuardProgram is where AppArmor lets what libvirt calls leave libvirt's
	// profile, which forbids to mount (Debian's usr.sbin.libvirtd: "/usr/sbin/*
	// PUx", and nothing for /usr/local).
	GuardProgram = "/usr/sbin/lendkeep-hook"
	// GuardUdev comes after the rules that find out what is on a device (60) and
	// before those that assemble it (63 and later).
	GuardUdev = "/etc/udev/rules.d/61-lendkeep.rules"
)

// GuardFiles are the files that an order installs, by content; empty is none.
type GuardFiles struct {
	Hook  string `json:"hook,omitempty"`
	Rules string `json:"rules,omitempty"`
	Udev  string `json:"udev,omitempty"` // what keeps the host from assembling guests' volumes
}

// GuardMark is the second line of every hook that lendkeep wrote.
const GuardMark = "# lendkeep: the guard of every start."

// Guard is what is installed to check every start of a guest, whoever starts
// it.
type Guard struct {
	Program    bool  `json:"program"` // the guard's program is at GuardProgram
	GuardFiles       // what is at GuardHook, GuardRules and GuardUdev
	Others     bool  `json:"others"` // other hooks of guests are there
	Gaps       []Gap `json:"gaps,omitempty"`
}

// Known tells whether all of it could be read, and nobody but root can have
// written it.
func (g Guard) Known() bool { return len(g.Gaps) == 0 }

// Ours tells whether the hook's place is free or taken by a hook of lendkeep's.
func (g Guard) Ours() bool { return g.Hook == "" || strings.Contains(g.Hook, GuardMark) }

// Condition tells in a few words whether starts are guarded.
func (g Guard) Condition() string {
	switch {
	case !g.Known():
		return "not known"
	case !g.Ours():
		return "another hook sits in its place"
	case g.Hook == "":
		return "not installed"
	case !g.Program:
		return "installed, but its program is missing"
	default:
		return "installed"
	}
}
