package windows

import (
	"errors"
	"fmt"
	"strings"

	"lendkeep/providers/formats/hive"
	"lendkeep/providers/formats/ntfs"
	"lendkeep/reconcile/facts"
)

// encryption answers for a volume that is read as it is.
func (s *system) encryption() facts.Answer {
	return facts.Answer{Question: facts.AsksEncryption, Says: facts.Present, Where: bootSector,
		Seen: fmt.Sprintf("partition %d is a plain NTFS, which BitLocker does not encrypt", s.condition.Number)}
}

// fastStartup answers whether shutting down hibernates, which takes both the
// setting and the file (Microsoft, "Distinguishing Fast Startup from Wake-from-
// Hibernation"; the names of the values: common practice).
func (s *system) fastStartup(software registry) facts.Answer {
	a := facts.Answer{Question: facts.AsksShutdown, Says: facts.Unknown, Where: where(systemHive)}
	if s.condition.Condition == facts.Hibernated {
		a.Says, a.Where, a.Seen = facts.Absent, sleepFile, s.condition.Why
		return a
	}
	on, err := number(s.set, "Control", "Session Manager", "Power", "HiberbootEnabled")
	if err != nil {
		a.Seen = err.Error()
		return a
	}
	a.Seen = fmt.Sprintf("HiberbootEnabled is %d", on)
	if forced, err := policy(software); err != nil {
		a.Seen += "; a policy: " + err.Error()
		return a
	} else if forced {
		on, a.Seen = 1, a.Seen+", by a policy it is on"
	}
	if on == 0 {
		a.Says = facts.Present
		return a
	}
	switch _, err := s.volume.Find("hiberfil.sys"); {
	case err == nil:
		a.Says, a.Seen = facts.Absent, a.Seen+", and "+sleepFile+" is there: shutting down hibernates it"
	case errors.Is(err, ntfs.ErrNotThere):
		a.Says, a.Seen = facts.Present, a.Seen+", but there is no "+sleepFile+": it cannot hibernate"
	default:
		a.Seen += "; " + err.Error()
	}
	return a
}

// policy tells whether a policy has fast startup be on, whatever is set (Microsoft,
// WinInit.admx, "Require use of fast startup").
func policy(software registry) (bool, error) {
	if software.Hive == nil {
		return false, errors.New(where(softwareHive) + " could not be read")
	}
	n, err := number(software, "Policies", "Microsoft", "Windows", "System", "HiberbootEnabled")
	if errors.Is(err, hive.ErrNotThere) {
		err = software.unsettled
	}
	return n != 0, err
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
