package agent

import (
	"errors"
	"fmt"
	"regexp"
	"strings"

	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
)

// windows asks a Windows by programs that every one has. Their words are in its own
// language and code page: only names and numbers are taken.
func (l *look) windows() []facts.Answer {
	set, err := l.controlSet()
	if err != nil {
		return []facts.Answer{open(facts.AsksDriver, nextSet, err), l.encryption(), open(facts.AsksShutdown, nextSet, err), l.pending()}
	}
	return []facts.Answer{l.service(set + `\Services\` + boots.NVMeService), l.encryption(), l.fastStartup(set + `\Control`), l.pending()}
}

// nextSet is the key that says with which settings Windows starts next.
const nextSet = `HKLM\SYSTEM\Select`

// controlSet gives the key of those settings, by their number there (Default).
func (l *look) controlSet() (string, error) {
	k, err := l.registry(nextSet)
	if err != nil {
		return "", err
	}
	n := k.number("", "default")
	if n == nil || *n == 0 || *n > 999 {
		return "", errors.New("its Default is no number of settings")
	}
	return fmt.Sprintf(`HKLM\SYSTEM\ControlSet%03d`, *n), nil
}

// service judges when the NVMe driver starts. Overrides of the drivers that its bus
// and its volumes need are not looked for: this very system runs from a disk by them.
func (l *look) service(path string) facts.Answer {
	k, err := l.registry(path, "/s")
	if err != nil {
		return open(facts.AsksDriver, path, err)
	}
	start := k.number("", "start")
	if start == nil {
		return open(facts.AsksDriver, path, errors.New("it was not told when the driver starts (Start)"))
	}
	overrides := map[string]uint64{}
	for name := range k.values["startoverride"] {
		n := k.number("startoverride", name)
		if n == nil {
			return open(facts.AsksDriver, path, fmt.Errorf(`StartOverride\%.40q is no number`, name))
		}
		overrides[name] = *n
	}
	a := facts.Answer{Question: facts.AsksDriver, Where: path}
	a.Says, a.Seen = boots.StartsAtBoot(boots.NVMeService, *start, overrides)
	if a.Says == facts.Present {
		if why := l.driverFile(k); why != "" {
			a.Says, a.Seen = facts.Unknown, a.Seen+"; "+why
		}
	}
	a.Seen = quoted(a.Seen)
	return a
}

// usualImage are ways to write where that driver's file is; without one it is there.
var usualImage = regexp.MustCompile(`(?i)^(\\SystemRoot\\)?System32\\drivers\\stornvme\.sys$`)

// isThere is the code with which cmd.exe says that a file is there: no fault has it.
const isThere = 77

// driverFile says why it is not known that the driver's file is there; empty: it is.
// A program of 32 bits sees another folder, so that what it does not find may be there.
func (l *look) driverFile(k *key) string {
	if image, told := k.values[""]["imagepath"]; told && !usualImage.MatchString(image.text) {
		return fmt.Sprintf("its driver is to be %.80q", image.text)
	}
	ended, err := l.run("cmd.exe", "/d", "/c", "if", "exist", `%SystemRoot%\System32\drivers\`+boots.NVMeService+`.sys`, "exit", fmt.Sprint(isThere))
	switch {
	case err != nil:
		return "whether its file is there is not known: " + err.Error()
	case ended.Signal != 0 || ended.Code != isThere:
		return "its file was not seen"
	}
	return ""
}

// policies is below which a policy of Windows' own stands. A program of 32 bits is shown
// other keys unless it asks.
const policies = `HKLM\SOFTWARE\Policies\Microsoft\Windows`

// fastStartup judges whether shutting down hibernates.
func (l *look) fastStartup(control string) facts.Answer {
	power, err1 := l.registry(control + `\Power`)
	session, err2 := l.registry(control + `\Session Manager\Power`)
	policy, err3 := l.registry(policies, "/s", "/reg:64")
	var fast *uint64
	if err2 == nil {
		fast = session.number("", "hiberbootenabled")
	}
	forced, hibernates := facts.Unknown, facts.Unknown
	if err3 == nil {
		forced = policy.says("system", "hiberbootenabled")
	}
	if err1 == nil && power.number("", "hibernateenabled") != nil {
		hibernates = power.says("", "hibernateenabled")
	}
	a := facts.Answer{Question: facts.AsksShutdown, Where: control + `\Power, ` + control + `\Session Manager\Power`}
	a.Says, a.Seen = boots.FastStartup(fast, forced, hibernates)
	if err := errors.Join(err1, err2, err3); err != nil && a.Says == facts.Unknown {
		a.Seen = quoted(a.Seen + "; " + strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	return a
}

// protection asks for the class that tells of BitLocker (Microsoft,
// Win32_EncryptableVolume), of the volume that the system is on. manage-bde has it in
// words of the system's language only. No double quote is in it: who starts the program
// quotes it.
const protection = `$ErrorActionPreference = 'Stop'; $v = @(Get-CimInstance -Namespace root/CIMV2/Security/MicrosoftVolumeEncryption -ClassName Win32_EncryptableVolume` +
	` | Where-Object { $_.DriveLetter -eq $env:SystemDrive }); [Console]::Out.Write('protection ' + $v.Count + ' ' + $v[0].ProtectionStatus)`

// protectionSaid is its answer: one volume, and the number of its protection.
var protectionSaid = regexp.MustCompile(`^protection 1 ([0-9])\s*$`)

// encryption judges whether a key of the system's volume may be bound to what changes:
// only where it is protected (GetProtectionStatus: 0 is not encrypted, or the key lies
// there in the clear; 1 protected; 2 not known).
func (l *look) encryption() facts.Answer {
	const class = "Win32_EncryptableVolume"
	out, err := l.out("powershell.exe", "-NoProfile", "-NonInteractive", "-Command", protection)
	if err != nil {
		return open(facts.AsksEncryption, class, err)
	}
	a := facts.Answer{Question: facts.AsksEncryption, Says: facts.Unknown, Where: class, Seen: "what it says of the system's volume is no answer"}
	said := protectionSaid.FindSubmatch(out)
	if said == nil {
		return a
	}
	a.Seen = "ProtectionStatus of the system's volume is " + string(said[1])
	switch string(said[1]) {
	case "0":
		a.Says, a.Seen = facts.Present, a.Seen+": not encrypted, or suspended"
	case "1":
		a.Says, a.Seen = facts.Absent, a.Seen+": BitLocker protects it"
	}
	return a
}

// waiting are the places at which Windows notes that a restart is due: a key below
// another, or a value (Microsoft, MoveFileEx, MOVEFILE_DELAY_UNTIL_REBOOT; the others:
// common practice). A program of 32 bits is shown other keys unless it asks.
var waiting = []struct {
	path, name string
	value      bool
	more       []string
	says       string
}{
	{`HKLM\SOFTWARE\Microsoft\Windows\CurrentVersion\Component Based Servicing`, "RebootPending", false, []string{"/reg:64"}, "parts of Windows are to be changed"},
	{`HKLM\SOFTWARE\Microsoft\Windows\CurrentVersion\WindowsUpdate\Auto Update`, "RebootRequired", false, []string{"/reg:64"}, "updates are to be installed"},
	{`HKLM\SYSTEM\CurrentControlSet\Control\Session Manager`, "PendingFileRenameOperations", true, nil, "files are to be renamed"},
}

// pending judges whether something waits for a restart.
func (l *look) pending() facts.Answer {
	a := facts.Answer{Question: facts.AsksPending, Says: facts.Present, Seen: "nothing waits for a restart"}
	var waits, doubts []string
	for _, w := range waiting {
		k, err := l.registry(w.path, w.more...)
		if err != nil {
			doubts = append(doubts, err.Error())
			continue
		}
		there := k.keys[strings.ToLower(w.name)]
		if w.value {
			_, there = k.values[""][strings.ToLower(w.name)]
		}
		if there {
			waits = append(waits, w.says+" ("+w.name+")")
			a.Where = w.path
		}
	}
	switch {
	case len(waits) > 0:
		a.Says, a.Seen = facts.Absent, strings.Join(waits, "; ")
	case len(doubts) > 0:
		a.Says, a.Seen = facts.Unknown, quoted(strings.Join(doubts, "; "))
	}
	return a
}
