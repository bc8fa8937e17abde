package sysfs

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"path"
	"strings"
	"syscall"

	"lendkeep/reconcile/facts"
)

// maxGuard is how much of the guard's own files is read.
const maxGuard = 1 << 20

// elf is how every program of Linux begins (elf(5), e_ident).
var elf = []byte("\x7fELF")

// readGuard reads what is installed of lendkeep's guard.
func (s *survey) readGuard(context.Context) {
	g := &s.out.Guard
	g.Rules, g.RulesMode = s.own("guard.rules", facts.GuardRules, facts.RulesMode)
	g.Hook, g.HookMode = s.own("guard.hook", facts.GuardHook, facts.HookMode)
	g.Udev, g.UdevMode = s.own("guard.udev", facts.GuardUdev, facts.UdevMode)
	if head, mode, ok := s.ownHead("guard.program", facts.GuardProgram, len(elf)); ok {
		if g.Program = bytes.Equal(head, elf) && s.mayRun(mode); !g.Program {
			s.guardGap("guard.program", facts.GuardProgram, errors.New("it is no program, or nobody may run it"))
		}
	}
	g.Others = s.otherHooks()
	s.readWatch()
}

// Rules reads the guard's rules alone.
func (t Tree) Rules() facts.InstalledGuard {
	s := t.begin()
	s.out.Guard.Rules, s.out.Guard.RulesMode = s.own("guard.rules", facts.GuardRules, facts.RulesMode)
	return s.out.Guard
}

// own gives a file that only root can have written, and its permissions where they
// are not the usual ones; "" where there is none.
func (s *survey) own(fact, name string, usual uint32) (string, facts.Mode) {
	content, mode, ok := s.ownHead(fact, name, maxGuard+1)
	switch {
	case !ok:
		return "", ""
	case len(content) > maxGuard:
		s.guardGap(fact, name, errors.New("it is longer than any that lendkeep writes"))
	case !ended(content):
		s.guardGap(fact, name, errCut)
	case !s.machine:
		return string(content), ""
	default:
		return string(content), facts.ModeOf(uint32(mode.Perm()), usual)
	}
	return "", ""
}

// ownHead gives the first bytes of a file that only root can have written, and its
// permissions; false where there is none, or a gap.
func (s *survey) ownHead(fact, name string, n int) ([]byte, fs.FileMode, bool) {
	real, err := resolve(s.fsys, name[1:])
	var content []byte
	var mode fs.FileMode
	if err == nil {
		if mode, err = s.rootsOwn(real); err == nil {
			content, err = s.head(real, n)
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, 0, false
	}
	if err != nil {
		s.guardGap(fact, name, err)
		return nil, 0, false
	}
	return content, mode, true
}

// mayRun tells whether somebody may run a file of this machine.
func (s *survey) mayRun(mode fs.FileMode) bool { return !s.machine || mode&0o111 != 0 }

// rootsOwn gives the permissions of a file of this machine that nobody but root
// can have written, nor put another in the place of. A captured tree does not say
// whose its files were.
func (s *survey) rootsOwn(real string) (fs.FileMode, error) {
	stat, err := s.fsys.Lstat(real)
	if err != nil || !s.machine {
		return 0, err
	}
	if !stat.Mode().IsRegular() {
		return 0, errors.New("it is no regular file")
	}
	if err := rootAlone(stat, "it", 0o022); err != nil {
		return 0, err
	}
	for dir := path.Dir(real); ; dir = path.Dir(dir) {
		above, err := s.fsys.Lstat(dir)
		if err != nil {
			return 0, err
		}
		// A group that may write where root's programs lie is root's own matter
		// (Debian Policy 9.1.2: staff).
		if err := rootAlone(above, "its folder "+path.Join("/", dir), 0o002); err != nil {
			return 0, err
		}
		if dir == "." {
			return stat.Mode(), nil
		}
	}
}

// rootAlone tells whether a file or folder belongs to root, and none of those whom
// the bits mean may change it.
func rootAlone(stat fs.FileInfo, what string, bits fs.FileMode) error {
	owner, ok := stat.Sys().(*syscall.Stat_t)
	switch {
	case !ok || owner.Uid != 0:
		return errors.New(what + " does not belong to root")
	case stat.Mode().Perm()&bits != 0 && stat.Mode()&fs.ModeSticky == 0:
		return errors.New("others than root may write " + what)
	}
	return nil
}

// otherHooks tells whether other hooks of guests are there: then libvirt has
// found hooks when it began, and calls ours without being told. What cannot be
// read counts as none, so that the operator is told once too often.
func (s *survey) otherHooks() bool {
	dir, err := resolve(s.fsys, path.Dir(facts.GuardHook)[1:])
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false
	}
	if _, err := s.fsys.Lstat(strings.TrimSuffix(dir, ".d")); err == nil {
		return true
	}
	names, err := s.list(dir)
	for _, name := range names {
		if err == nil && name != path.Base(facts.GuardHook) {
			return true
		}
	}
	return false
}

func (s *survey) guardGap(fact, name string, err error) {
	s.out.Guard.Gaps = append(s.out.Guard.Gaps, facts.Gap{Fact: fact, Path: name, Reason: cause(err).Error()})
}
