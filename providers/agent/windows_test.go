package agent

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// What reg.exe says has the form of the examples in Microsoft's and others' published
// pages: an empty line, a key by its whole name, its values by four blanks, keys below
// it by their names. That a key without values has no line of its own is from memory.
const (
	stornvme = "\r\nHKEY_LOCAL_MACHINE\\SYSTEM\\ControlSet001\\Services\\stornvme\r\n" +
		"    DisplayName    REG_SZ    @stornvme.inf,%StorNVMe_ServiceDesc%;Microsoft Standard NVM Express Driver\r\n" +
		"    ErrorControl    REG_DWORD    0x1\r\n" +
		"    ImagePath    REG_EXPAND_SZ    System32\\drivers\\stornvme.sys\r\n" +
		"    Start    REG_DWORD    0x0\r\n" +
		"    Type    REG_DWORD    0x1\r\n\r\n" +
		"HKEY_LOCAL_MACHINE\\SYSTEM\\ControlSet001\\Services\\stornvme\\Parameters\r\n" +
		"    BusType    REG_DWORD    0x11\r\n\r\n"
	override = "HKEY_LOCAL_MACHINE\\SYSTEM\\ControlSet001\\Services\\stornvme\\StartOverride\r\n    0    REG_DWORD    0x3\r\n\r\n"
	selected = "\r\nHKEY_LOCAL_MACHINE\\SYSTEM\\Select\r\n    Current    REG_DWORD    0x1\r\n    Default    REG_DWORD    0x1\r\n    Failed    REG_DWORD    0x0\r\n    LastKnownGood    REG_DWORD    0x1\r\n\r\n"
	power    = "\r\nHKEY_LOCAL_MACHINE\\SYSTEM\\ControlSet001\\Control\\Power\r\n    HibernateEnabled    REG_DWORD    0x0\r\n\r\nHKEY_LOCAL_MACHINE\\SYSTEM\\ControlSet001\\Control\\Power\\User\r\n"
	policy   = "\r\nHKEY_LOCAL_MACHINE\\SOFTWARE\\Policies\\Microsoft\\Windows\\System\r\n    AllowX    REG_DWORD    0x1\r\n\r\n"
	session  = "\r\nHKEY_LOCAL_MACHINE\\SYSTEM\\ControlSet001\\Control\\Session Manager\\Power\r\n    HiberbootEnabled    REG_DWORD    0x1\r\n\r\n"
	manager  = "\r\nHKEY_LOCAL_MACHINE\\SYSTEM\\CurrentControlSet\\Control\\Session Manager\r\n    BootExecute    REG_MULTI_SZ    autocheck autochk *\r\n\r\n"
	renames  = "    PendingFileRenameOperations    REG_MULTI_SZ    \\??\\C:\\x\\0\r\n"
	updates  = "\r\nHKEY_LOCAL_MACHINE\\SOFTWARE\\Microsoft\\Windows\\CurrentVersion\\WindowsUpdate\\Auto Update\\Results\r\n"
	parts    = "\r\nHKEY_LOCAL_MACHINE\\SOFTWARE\\Microsoft\\Windows\\CurrentVersion\\Component Based Servicing\r\n    Version    REG_EXPAND_SZ    x\r\n\r\n"
)

// Calls, as the guest is given them.
var (
	callSelect  = "reg.exe query " + nextSet
	callService = `reg.exe query HKLM\SYSTEM\ControlSet001\Services\stornvme /s`
	callPower   = `reg.exe query HKLM\SYSTEM\ControlSet001\Control\Power`
	callSession = `reg.exe query HKLM\SYSTEM\ControlSet001\Control\Session Manager\Power`
	callPolicy  = "reg.exe query " + policies + " /s /reg:64"
	callFile    = `cmd.exe /d /c if exist %SystemRoot%\System32\drivers\stornvme.sys exit 77`
	callLocker  = "powershell.exe -NoProfile -NonInteractive -Command " + protection
	callParts   = "reg.exe query " + waiting[0].path + " /reg:64"
	callUpdates = "reg.exe query " + waiting[1].path + " /reg:64"
	callManager = "reg.exe query " + waiting[2].path
)

func TestInstalledWindows(t *testing.T) {
	good := map[string]string{callSelect: selected, callService: stornvme, callFile: "exit 77", callPower: power, callSession: session, callPolicy: policy,
		callLocker: "protection 1 0", callParts: parts, callUpdates: updates, callManager: manager}
	const fine = "driver present, encryption present, fast startup present, pending present"
	for name, c := range map[string]struct{ call, out, says, seen string }{
		"good":                   {callFile, "exit 77", fine, `stornvme\Start is 0`},
		"starts late":            {callService, strings.Replace(stornvme, "Start    REG_DWORD    0x0", "Start    REG_DWORD    0x3", 1), strings.Replace(fine, "driver present", "driver absent", 1), `stornvme\Start is 3`},
		"overridden":             {callService, stornvme + override, strings.Replace(fine, "driver present", "driver absent", 1), `StartOverride\0 is 3`},
		"override is no number":  {callService, stornvme + strings.Replace(override, "0x3", "drei", 1), strings.Replace(fine, "driver present", "driver unknown", 1), `StartOverride\"0" is no number`},
		"another override":       {callService, stornvme + strings.Replace(override, "    0 ", "    7 ", 1), strings.Replace(fine, "driver present", "driver unknown", 1), `StartOverride\7 is 3`},
		"start is missing":       {callService, strings.Replace(stornvme, "Start    REG_DWORD", "Stop    REG_DWORD", 1), strings.Replace(fine, "driver present", "driver unknown", 1), "it was not told"},
		"start is a text":        {callService, strings.Replace(stornvme, "Start    REG_DWORD", "Start    REG_SZ", 1), strings.Replace(fine, "driver present", "driver unknown", 1), "it was not told"},
		"start twice":            {callService, strings.Replace(stornvme, "    Type ", "    Start    REG_DWORD    0x0\r\n    Type ", 1), strings.Replace(fine, "driver present", "driver unknown", 1), "it was not told"},
		"start too large":        {callService, strings.Replace(stornvme, "Start    REG_DWORD    0x0", "Start    REG_DWORD    0x000000000", 1), strings.Replace(fine, "driver present", "driver unknown", 1), "it was not told"},
		"no such service":        {callService, "!FEHLER: Der angegebene Registrierungsschl\x81ssel wurde nicht gefunden.", strings.Replace(fine, "driver present", "driver unknown", 1), "it ended with code 1"},
		"nothing":                {callService, "", strings.Replace(fine, "driver present", "driver unknown", 1), "the key itself is not there"},
		"of another key":         {callService, strings.Replace(stornvme, "stornvme\r\n", "storahci\r\n", 1), strings.Replace(fine, "driver present", "driver unknown", 1), "another key"},
		"in another encoding":    {callService, "\xff\xfeH\x00K\x00E\x00Y\x00", strings.Replace(fine, "driver present", "driver unknown", 1), "the key itself is not there"},
		"huge":                   {callService, stornvme + strings.Repeat("x\n", linesMost), strings.Replace(fine, "driver present", "driver unknown", 1), "lines"},
		"file not seen":          {callFile, "", strings.Replace(fine, "driver present", "driver unknown", 1), "its file was not seen"},
		"another file":           {callService, strings.Replace(stornvme, "drivers\\stornvme.sys", "drivers\\other.sys", 1), strings.Replace(fine, "driver present", "driver unknown", 1), "other.sys"},
		"no settings":            {callSelect, strings.Replace(selected, "Default    REG_DWORD    0x1", "Default    REG_DWORD    0x0", 1), "driver unknown, encryption present, fast startup unknown, pending present", "no number of settings"},
		"other settings next":    {callSelect, strings.Replace(selected, "Default    REG_DWORD    0x1", "Default    REG_DWORD    0x2", 1), "driver unknown, encryption present, fast startup unknown, pending present", `ControlSet002`},
		"protected":              {callLocker, "protection 1 1", strings.Replace(fine, "encryption present", "encryption absent", 1), "BitLocker protects it"},
		"protection not known":   {callLocker, "protection 1 2", strings.Replace(fine, "encryption present", "encryption unknown", 1), "is 2"},
		"no volume":              {callLocker, "protection 0 ", strings.Replace(fine, "encryption present", "encryption unknown", 1), "no answer"},
		"two volumes":            {callLocker, "protection 2 0", strings.Replace(fine, "encryption present", "encryption unknown", 1), "no answer"},
		"no class":               {callLocker, "!Ung\x81ltiger Namespace", strings.Replace(fine, "encryption present", "encryption unknown", 1), "it ended with code 1: Ung?ltiger"},
		"hibernates":             {callPower, strings.Replace(power, "HibernateEnabled    REG_DWORD    0x0", "HibernateEnabled    REG_DWORD    0x1", 1), strings.Replace(fine, "fast startup present", "fast startup absent", 1), "hibernates it"},
		"hibernation not told":   {callPower, "!", strings.Replace(fine, "fast startup present", "fast startup unknown", 1), "whether it can hibernate was not seen"},
		"policy not told":        {callPolicy, "!", fine, "whether by a policy it is on was not seen; it cannot"},
		"renames wait":           {callManager, strings.Replace(manager, "    Boot", renames+"    Boot", 1), strings.Replace(fine, "pending present", "pending absent", 1), "files are to be renamed"},
		"updates wait":           {callUpdates, updates + strings.Replace(updates, "Results", "RebootRequired", 1), strings.Replace(fine, "pending present", "pending absent", 1), "updates are to be installed"},
		"parts wait":             {callParts, parts + strings.Split(parts, "\r\n")[1] + "\\RebootPending\r\n", strings.Replace(fine, "pending present", "pending absent", 1), "parts of Windows"},
		"no word of the updates": {callUpdates, "!", strings.Replace(fine, "pending present", "pending unknown", 1), "Auto Update"},
	} {
		t.Run(name, func(t *testing.T) {
			s := stagedGuest(`{"id": "mswindows", "pretty-name": "Microsoft Windows 11", "kernel-version": "10.0", "kernel-release": "22631", "machine": "x86_64"}`, nil, map[string]string{})
			for call, out := range good {
				s.programs[call] = out
			}
			s.programs[c.call] = c.out
			i := Installed(t.Context(), s, "grading")
			assert.Equal(t, "windows Microsoft Windows 11", i.Kind+" "+i.Name)
			assert.Equal(t, c.says, answers(i), "%+v", i.Answers)
			var seen []string
			for _, a := range i.Answers {
				seen = append(seen, a.Where, a.Seen)
				assert.NotEmpty(t, a.Seen)
				assert.Less(t, len(a.Seen), 2*mostWords)
			}
			assert.Contains(t, strings.Join(seen, "\n"), c.seen)
			assert.False(t, s.written)
		})
	}
}

// A policy has fast startup be on, whatever is set.
func TestPolicy(t *testing.T) {
	for out, says := range map[string]facts.Held{policy: facts.Present, strings.Replace(policy, "AllowX", "HiberbootEnabled", 1): facts.Absent, "!": facts.Unknown,
		strings.Replace(policy, "AllowX    REG_DWORD", "HiberbootEnabled    REG_SZ", 1): facts.Unknown} {
		s := stagedGuest(`{"id": "mswindows", "kernel-version": "10.0", "machine": "x86_64"}`, nil, map[string]string{callSelect: selected, callPolicy: out,
			callPower: strings.Replace(power, "0x0", "0x1", 1), callSession: strings.Replace(session, "0x1", "0x0", 1)})
		i := Installed(t.Context(), s, "grading")
		assert.Equal(t, says, i.Answer(facts.AsksShutdown).Says, i.Answer(facts.AsksShutdown).Seen)
	}
}

// A guest whose every answer is an agent's that keeps only a part says nothing.
func TestCutAnswersSayNothing(t *testing.T) {
	s := stagedGuest(`{"id": "mswindows", "kernel-version": "10.0", "machine": "x86_64"}`, nil, map[string]string{})
	s.replies["guest-exec-status"] = []string{`{"return": {"exited": true, "exitcode": 0, "out-data": "` + "cHJvdGVjdGlvbiAxIDA=" + `", "out-truncated": true}}`}
	assert.Equal(t, "driver unknown, encryption unknown, fast startup unknown, pending unknown", answers(Installed(t.Context(), s, "grading")))
}

func FuzzReadKey(f *testing.F) {
	f.Add([]byte(stornvme + override))
	f.Add([]byte("HKEY_LOCAL_MACHINE\\X\r\n    a    REG_DWORD    0x"))
	f.Fuzz(func(t *testing.T, out []byte) {
		k, err := readKey(`HKLM\SYSTEM\ControlSet001\Services\stornvme`, out)
		if err != nil {
			return
		}
		if n := k.number("", "start"); n != nil {
			require.LessOrEqual(t, *n, uint64(1<<32-1))
		}
	})
}
