package facts

import (
	"fmt"
	"strconv"
	"strings"
)

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

	// Modes are as an order sets them, but for those that are another one.
	HookMode  Mode `json:"hook_mode,omitempty"`
	RulesMode Mode `json:"rules_mode,omitempty"`
	UdevMode  Mode `json:"udev_mode,omitempty"`
}

// GuardFile is one of them: empty content is no file.
type GuardFile struct {
	Path, Content string
	Mode          Mode
	Usual         uint32 // permissions that an order sets
}

// Each gives the files in the sequence in which they are installed: rules come before
// the hook, which without them refuses every guest that borrows.
func (g GuardFiles) Each() []GuardFile {
	return []GuardFile{
		{GuardUdev, g.Udev, g.UdevMode, UdevMode},
		{GuardRules, g.Rules, g.RulesMode, RulesMode},
		{GuardHook, g.Hook, g.HookMode, HookMode},
	}
}

// Mode is the permissions of a file that are not those that an order sets, in the
// form of chmod(1): "0644"; empty: they are.
type Mode string

// The permissions that an order sets: libvirt passes over a hook that nobody may
// run (libvirt src/util/virhook.c, virFileIsExecutable), and serials are root's
// matter.
const (
	HookMode  = 0o755
	RulesMode = 0o600
	UdevMode  = 0o644
	UnitMode  = 0o644
)

// ModeOf gives what is to be noted of permissions, without the three bits beside
// them.
func ModeOf(bits, usual uint32) Mode {
	if bits == usual {
		return ""
	}
	return Mode(fmt.Sprintf("%04o", bits))
}

// Bits gives the permissions.
func (m Mode) Bits(usual uint32) (uint32, error) {
	if m == "" {
		return usual, nil
	}
	bits, err := strconv.ParseUint(string(m), 8, 9)
	if err != nil {
		return 0, fmt.Errorf("mode %q is none", string(m))
	}
	return uint32(bits), nil
}

// runs tells whether somebody may run a file of that mode; libvirt is root.
func (m Mode) runs() bool {
	bits, err := m.Bits(HookMode)
	return err == nil && bits&0o111 != 0
}

// GuardMark is the second line of every hook that lendkeep wrote.
const GuardMark = "# lendkeep: the guard of every start."

// InstalledGuard is what is installed to check every start of a guest, whoever starts
// it.
type InstalledGuard struct {
	Program    bool  `json:"program"` // the guard's program is at GuardProgram
	GuardFiles       // what is at GuardHook, GuardRules and GuardUdev
	Others     bool  `json:"others"` // other hooks of guests are there
	Gaps       []Gap `json:"gaps,omitempty"`
}

// Known tells whether all of it could be read, and nobody but root can have
// written it.
func (g InstalledGuard) Known() bool { return len(g.Gaps) == 0 }

// Ours tells whether the hook's place is free or taken by a hook of lendkeep's.
func (g InstalledGuard) Ours() bool { return g.Hook == "" || strings.Contains(g.Hook, GuardMark) }

// Runs tells whether libvirt runs the hook, if there is one.
func (g InstalledGuard) Runs() bool { return g.HookMode.runs() }

// Condition tells in a few words whether starts are guarded.
func (g InstalledGuard) Condition() string {
	switch {
	case !g.Known():
		return "not known"
	case !g.Ours():
		return "another hook sits in its place"
	case g.Hook == "":
		return "not installed"
	case !g.Runs():
		return "installed, but libvirt does not run it: its mode is " + string(g.HookMode)
	case !g.Program:
		return "installed, but its program is missing"
	default:
		return "installed"
	}
}
