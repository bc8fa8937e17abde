package hook

import (
	"errors"
	"io/fs"
	"path"
	"strings"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// Installed reads what is installed of the guard.
func Installed(root files.Root) facts.InstalledGuard {
	g := Rules(root)
	g.Hook, g.HookMode = text(root, &g, "guard.hook", facts.GuardHook, facts.HookMode)
	g.Udev, g.UdevMode = text(root, &g, "guard.udev", facts.GuardUdev, facts.UdevMode)
	var err error
	if g.Program, err = root.Program(facts.GuardProgram); err != nil {
		g.Gaps = append(g.Gaps, gap("guard.program", facts.GuardProgram, err))
	}
	g.Others = otherHooks(root.FS)
	return g
}

// Rules reads the guard's rules alone.
func Rules(root files.Root) facts.InstalledGuard {
	var g facts.InstalledGuard
	g.Rules, g.RulesMode = text(root, &g, "guard.rules", facts.GuardRules, facts.RulesMode)
	return g
}

// text gives a file of the guard, and its permissions where they are not the usual
// ones; "" where there is none, or a gap, which it notes.
func text(root files.Root, g *facts.InstalledGuard, fact, name string, usual uint32) (string, facts.Mode) {
	content, mode, err := root.Text(name, usual)
	if err != nil {
		g.Gaps = append(g.Gaps, gap(fact, name, err))
	}
	return content, facts.ModeOf(mode, usual)
}

func gap(fact, name string, err error) facts.Gap {
	return facts.Gap{Fact: fact, Path: name, Reason: files.Cause(err).Error()}
}

// otherHooks tells whether other hooks of guests are there: then libvirt has
// found hooks when it began, and calls ours without being told. What cannot be
// read counts as none, so that the operator is told once too often.
func otherHooks(root fs.ReadLinkFS) bool {
	dir, err := files.Resolve(root, path.Dir(facts.GuardHook)[1:])
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false
	}
	if _, err := root.Lstat(strings.TrimSuffix(dir, ".d")); err == nil {
		return true
	}
	entries, err := fs.ReadDir(root, dir)
	for _, entry := range entries {
		if err == nil && entry.Name() != path.Base(facts.GuardHook) {
			return true
		}
	}
	return false
}
