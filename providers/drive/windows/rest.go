package windows

import (
	"errors"
	"fmt"
	"strings"

	"lendkeep/providers/formats/hive"
	"lendkeep/providers/formats/ntfs"
	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
)

// encryption answers for a volume that is read as it is.
func (s *system) encryption() facts.Answer {
	return facts.Answer{Question: facts.AsksEncryption, Says: facts.Present, Where: bootSector,
		Seen: fmt.Sprintf("partition %d is a plain NTFS, which BitLocker does not encrypt", s.condition.Number)}
}

// fastStartup answers whether shutting down hibernates, for which Windows needs its
// file.
func (s *system) fastStartup(software registry) facts.Answer {
	a := facts.Answer{Question: facts.AsksShutdown, Says: facts.Unknown, Where: where(systemHive)}
	if s.condition.Condition == facts.Hibernated {
		a.Says, a.Where, a.Seen = facts.Absent, sleepFile, s.condition.Why
		return a
	}
	fast, err := known(s.set, "Control", "Session Manager", "Power", "HiberbootEnabled")
	policy, err2 := policy(software)
	hibernates := facts.Present
	_, err3 := s.volume.Find("hiberfil.sys")
	if errors.Is(err3, ntfs.ErrNotThere) {
		hibernates, err3 = facts.Absent, nil
	} else if err3 != nil {
		hibernates = facts.Unknown
	}
	a.Says, a.Seen = boots.FastStartup(fast, policy, hibernates)
	switch err := errors.Join(err, err2, err3); {
	case a.Says == facts.Unknown && err != nil:
		a.Seen += "; " + strings.ReplaceAll(err.Error(), "\n", "; ")
	case hibernates == facts.Absent:
		a.Seen += ", there is no " + sleepFile
	}
	return a
}

// known gives a number; nil where it could not be read.
func known(from finder, path ...string) (*uint64, error) {
	n, err := number(from, path...)
	if err != nil {
		return nil, err
	}
	wide := uint64(n)
	return &wide, nil
}

// policy tells whether a policy has fast startup be on.
func policy(software registry) (facts.Held, error) {
	if software.Hive == nil {
		return facts.Unknown, errors.New(where(softwareHive) + " could not be read")
	}
	n, err := number(software, "Policies", "Microsoft", "Windows", "System", "HiberbootEnabled")
	switch {
	case errors.Is(err, hive.ErrNotThere) && software.unsettled == nil, err == nil && n == 0:
		return facts.Absent, nil
	case errors.Is(err, hive.ErrNotThere):
		return facts.Unknown, software.unsettled
	case err != nil:
		return facts.Unknown, err
	}
	return facts.Present, nil
}

// pending answers whether something waits for a restart, as far as the registry
// says: renames (Microsoft, MoveFileEx, MOVEFILE_DELAY_UNTIL_REBOOT), a setup, and
// updates (common practice).
func (s *system) pending(software registry, err error) facts.Answer {
	a := facts.Answer{Question: facts.AsksPending, Says: facts.Unknown, Where: where(systemHive) + ", " + where(softwareHive)}
	var waits []string
	doubt := err
	note := func(what string, there bool, err error) {
		if there && err == nil {
			waits = append(waits, what)
		} else if err != nil && !errors.Is(err, hive.ErrNotThere) {
			doubt = errors.Join(doubt, err)
		}
	}
	for _, name := range []string{"PendingFileRenameOperations", "PendingFileRenameOperations2"} {
		v, err := value(s.set, "Control", "Session Manager", name)
		note("files are to be renamed ("+name+")", v.SizeBytes() > 2, err)
	}
	n, err := number(s.registry, "Setup", "SystemSetupInProgress")
	note("its setup is under way", n != 0, err)
	if software.Hive != nil {
		doubt = errors.Join(doubt, software.unsettled)
		_, err := software.Find("Microsoft", "Windows", "CurrentVersion", "Component Based Servicing", "RebootPending")
		note("parts of Windows are to be changed", true, err)
		_, err = software.Find("Microsoft", "Windows", "CurrentVersion", "WindowsUpdate", "Auto Update", "RebootRequired")
		note("updates are to be installed", true, err)
	}
	switch {
	case len(waits) > 0:
		a.Says, a.Seen = facts.Absent, strings.Join(waits, "; ")
	case doubt != nil:
		a.Seen = strings.ReplaceAll(doubt.Error(), "\n", "; ")
	default:
		a.Says, a.Seen = facts.Present, "nothing waits for a restart"
	}
	return a
}

// nameOf gives what a Windows calls itself; empty where that is not known. Since
// Windows 11 still says 10 there, the build is told besides.
func nameOf(software registry) string {
	if software.Hive == nil {
		return ""
	}
	const most = 64 // letters that are shown of what a guest wrote
	text := func(name string) string {
		v, err := value(software, "Microsoft", "Windows NT", "CurrentVersion", name)
		if err != nil {
			return ""
		}
		s, _ := v.Text() // one that is no text is none
		return string([]rune(s)[:min(most, len([]rune(s)))])
	}
	name, build := text("ProductName"), text("CurrentBuildNumber")
	if name != "" && build != "" {
		name += " (build " + build + ")"
	}
	return name
}
