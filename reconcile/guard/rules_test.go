package guard_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/order"
)

func TestSentenceOfAnAlarm(t *testing.T) {
	rules := newBench(t).rules
	rules.Controllers[0].OnFailure = "alarm"
	assert.Contains(t, rules.Sentences(), "a start of catalogue is logged when /srv/shelf is not mounted")
}

func TestRulesRoundTrip(t *testing.T) {
	rules := newBench(t).rules
	rules.Alarm = []string{"/usr/local/bin/tell-me", "studio"}
	again, err := guard.Decode(rules.Encode())
	require.NoError(t, err)
	assert.Equal(t, rules, again)
	assert.Equal(t, []string{
		"SN-NEVER is never lent",
		"only grading may borrow reel (RL-4410-0073)",
		"udev leaves volumes on reel alone, but for shelf",
		"shelf of reel is unmounted before a lend and mounted at /srv/shelf after it (xfs, nosuid, nodev, noatime)",
		"the command that is told of alarms, as root: /usr/local/bin/tell-me studio",
		"catalogue starts only while /srv/shelf is mounted",
	}, rules.Sentences())
}

func TestDamagedRulesAreRefused(t *testing.T) {
	good := newBench(t).rules.Encode()
	for name, c := range map[string]struct{ old, new, says string }{
		"another version":               {`"format": 1`, `"format": 2`, "of version 2, this guard reads version 1"},
		"no version":                    {`"format": 1,`, ``, "of version 0"},
		"an unknown field":              {`"guests"`, `"weather": 1, "guests"`, "weather"},
		"a bad address":                 {`0000:01:00.0`, `01:00.0`, "0000:01:00.0"},
		"an unknown controller":         {"\"borrows\": [\n    \"reel\"", "\"borrows\": [\n    \"rail\"", `borrows "rail"`},
		"an unknown place":              {"\"lives_on\": [\n    \"/srv/shelf\"", "\"lives_on\": [\n    \"/srv\"", `lives on "/srv"`},
		"a relative mount":              {`"path": "/srv/shelf"`, `"path": "srv/shelf"`, "no absolute path"},
		"a mount by a program":          {`"fs_type": "xfs"`, `"fs_type": "fuse./tmp/a"`, "no kind of filesystem"},
		"a mount at the root":           {`"path": "/srv/shelf"`, `"path": "/"`, "root directory"},
		"a mount where programs lie":    {`"path": "/srv/shelf"`, `"path": "/usr/local/bin"`, "what lies in /usr"},
		"twice":                         {`"controller": "spare"`, `"controller": "reel"`, "twice"},
		"an alarm that guests write":    {`"controllers"`, `"alarm": ["/bin/sh", "/srv/shelf/tell-me"], "controllers"`, "where guests write"},
		"a relative alarm":              {`"controllers"`, `"alarm": ["tell-me"], "controllers"`, "no absolute path"},
		"a libvirt that runs a program": {`"controllers"`, `"libvirt": "qemu+ext:///system?command=/tmp/a", "controllers"`, "run a program"},
		"another on_failure":            {`"hold"`, `"pray"`, "neither hold nor alarm"},
	} {
		t.Run(name, func(t *testing.T) {
			bad := strings.Replace(good, c.old, c.new, 1)
			require.NotEqual(t, good, bad)
			_, err := guard.Decode(bad)
			require.ErrorContains(t, err, c.says)
		})
	}
	for _, bad := range []string{"", good + "{}", good[:len(good)/2], "null", "[]", strings.Repeat(" ", 2<<20)} {
		_, err := guard.Decode(bad)
		require.Error(t, err)
	}
}

// FuzzRules: whatever decodes can be decided by, and is written as it was read.
func FuzzRules(f *testing.F) {
	b := newBench(f)
	f.Add(b.rules.Encode())
	f.Add(`{"format": 1}`)
	ix := b.index()
	f.Fuzz(func(t *testing.T, text string) {
		rules, err := guard.Decode(text)
		if err != nil {
			return
		}
		guard.Before(rules, ix, b.call)
		guard.After(rules, ix, b.call)
		again, err := guard.Decode(rules.Encode())
		require.NoError(t, err)
		require.Equal(t, rules.Encode(), again.Encode())
	})
}

// The hook itself, run by a real shell with programs of every sort in the
// place of the guard's.
func TestScript(t *testing.T) {
	program := filepath.Join(t.TempDir(), "lendkeep-hook")
	script := strings.ReplaceAll(guard.Script, facts.GuardProgram, program)
	require.NotEqual(t, guard.Script, script)
	with := map[string]string{
		"passes":        "#!/bin/sh\nexit 0\n",
		"refuses":       "#!/bin/sh\ncat >/dev/null\nexit 1\n",
		"breaks":        "#!/bin/sh\ncat >/dev/null\nexit 2\n",
		"cannot be run": "\x7fELF, but no program",
		"is missing":    "",
	}
	borrows := "<domain><devices><hostdev mode='subsystem' type='pci' managed='yes'/></devices></domain>"
	usb := "<domain><devices><hostdev mode='subsystem' type='usb'/></devices></domain>"
	argument := "<domain><qemu:commandline><qemu:arg value='vfio-pci,host=0000:01:00.0'/></qemu:commandline></domain>"
	drive := "<domain><devices><disk type='nvme' device='disk'/></devices></domain>"
	for _, c := range []struct {
		program, operation, xml string
		fails                   bool
	}{
		{"passes", "prepare", borrows, false},
		{"refuses", "prepare", borrows, true},
		{"refuses", "prepare", usb, true},
		{"refuses", "reconnect", borrows, false},
		{"refuses", "release", borrows, false},
		{"breaks", "prepare", borrows, true},
		{"breaks", "reconnect", borrows, false},
		{"cannot be run", "prepare", borrows, true},
		{"cannot be run", "prepare", usb, false},
		{"cannot be run", "reconnect", borrows, false},
		{"is missing", "prepare", borrows, true},
		{"is missing", "prepare", drive, true},
		{"is missing", "prepare", usb, false},
		{"is missing", "prepare", argument, true},
		{"is missing", "reconnect", borrows, false},
		{"is missing", "stopped", borrows, false},
	} {
		t.Run(c.program+" "+c.operation, func(t *testing.T) {
			_ = os.Remove(program)
			if with[c.program] != "" {
				require.NoError(t, os.WriteFile(program, []byte(with[c.program]), 0o755))
			}
			shell := exec.Command("sh", "-c", script, "lendkeep", "grading", c.operation, "begin", "-")
			shell.Stdin = strings.NewReader(c.xml)
			said, err := shell.CombinedOutput()
			if assert.Equal(t, c.fails, err != nil, "%s", said); c.fails && with[c.program] == "" {
				assert.Contains(t, string(said), "guest grading borrows a PCI function")
			}
		})
	}
}

// libvirt calls the hook seven times in the life of a guest, and waits each
// time; the program is started for three of them.
func TestScriptStartsTheProgramOnlyWhereItActs(t *testing.T) {
	program := filepath.Join(t.TempDir(), "lendkeep-hook")
	require.NoError(t, os.WriteFile(program, []byte("#!/bin/sh\necho \"$1 $2 $3\"\n"), 0o755))
	script := strings.ReplaceAll(guard.Script, facts.GuardProgram, program)
	said := ""
	for _, call := range []string{"prepare begin", "start begin", "started begin", "reconnect begin", "migrate begin", "stopped end", "release end"} {
		operation, sub, _ := strings.Cut(call, " ")
		out, err := exec.Command("sh", "-c", script, "lendkeep", "grading", operation, sub, "-").CombinedOutput()
		require.NoError(t, err)
		said += string(out)
	}
	assert.Equal(t, "grading prepare begin\ngrading started begin\ngrading release end\n", said)
}

// A pool that does not tell where its volumes are is one that the rules do not know.
func TestPoolsOfTheRules(t *testing.T) {
	b := newBench(t)
	b.Survey.Libvirt.Pools = []facts.Pool{{Name: "images", Kind: "dir", Target: "/srv/images"}, {Name: "far", Kind: "rbd"}, {Name: "units", Kind: "iscsi", Target: "/dev/disk/by-path"}}
	assert.Equal(t, []guard.Pool{{Name: "images", Target: "/srv/images"}, {Name: "far"}}, order.CompileRules(b.laid(t)).Pools)
}
