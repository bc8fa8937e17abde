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
	g.Rules = s.own("guard.rules", facts.GuardRules)
	g.Hook = s.own("guard.hook", facts.GuardHook)
	g.Udev = s.own("guard.udev", facts.GuardUdev)
	if head, ok := s.ownHead("guard.program", facts.GuardProgram, len(elf)); ok {
		if g.Program = bytes.Equal(head, elf); !g.Program {
			s.guardGap("guard.program", facts.GuardProgram, errors.New("it is no program"))
		}
	}
	g.Others = s.otherHooks()
	s.readWatch()
}

// own gives a file that only root can have written; "" where there is none.
func (s *survey) own(fact, name string) string {
	content, ok := s.ownHead(fact, name, maxGuard+1)
	switch {
	case !ok:
		return ""
	case len(content) > maxGuard:
		s.guardGap(fact, name, errors.New("it is longer than any that lendkeep writes"))
	case !ended(content):
		s.guardGap(fact, name, errCut)
	default:
		return string(content)
	}
	return ""
}

// ownHead gives the first bytes of a file that only root can have written;
// false where there is none, or a gap.
func (s *survey) ownHead(fact, name string, n int) ([]byte, bool) {
	real, err := resolve(s.fsys, name[1:])
	var content []byte
	if err == nil {
		if err = s.rootsOwn(real); err == nil {
			content, err = s.head(real, n)
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, false
	}
	if err != nil {
		s.guardGap(fact, name, err)
		return nil, false
	}
	return content, true
}

// rootsOwn tells whether nobody but root can have written a file of this
// machine. A captured tree does not say whose its files were.
func (s *survey) rootsOwn(real string) error {
	stat, err := s.fsys.Lstat(real)
	if err != nil || !s.machine {
		return err
	}
	owner, ok := stat.Sys().(*syscall.Stat_t)
	switch {
	case !stat.Mode().IsRegular():
		return errors.New("it is no regular file")
	case !ok || owner.Uid != 0:
		return errors.New("it does not belong to root")
	case stat.Mode().Perm()&0o022 != 0:
		return errors.New("others than root may write it")
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
