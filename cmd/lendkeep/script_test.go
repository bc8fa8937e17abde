package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/gofrs/flock"
	"github.com/rogpeppe/go-internal/testscript"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"lendkeep": main})
}

// TestScripts runs the real binary. Each script begins with the larch fixture
// in $HOSTS and the examples in $EXAMPLES; lendkeep alone is in $LENDKEEP.
func TestScripts(t *testing.T) {
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("HOSTS", filepath.Join(root, "testdata", "hosts"))
			e.Setenv("EXAMPLES", filepath.Join(root, "examples"))
			e.Setenv("OVMF", ovmf)
			e.Setenv("LENDKEEP", filepath.SplitList(os.Getenv("PATH"))[0]) // testscript.Main puts the programs there
			return nil
		},
		Condition: condition,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits":    exits,
			"code":     code,
			"hold":     hold,
			"cutafter": cutAfter,
			"edit":     edit,
			"waitfor":  waitFor,
			"invented": inventedHost,
		},
	})
}

// ovmf is where Debian's package of that name puts its images.
const ovmf = "/usr/share/OVMF"

// condition knows [ovmf]. Where everything outside must be there, a missing
// image is a failure.
func condition(name string) (bool, error) {
	if name != "ovmf" {
		return false, fmt.Errorf("unknown condition %q", name)
	}
	_, err := os.Stat(filepath.Join(ovmf, "OVMF_CODE_4M.fd"))
	if err != nil && os.Getenv("LENDKEEP_REQUIRE_OUTSIDE") == "1" {
		return false, fmt.Errorf("LENDKEEP_REQUIRE_OUTSIDE=1 asks for Debian's package ovmf: %w", err)
	}
	return err == nil, nil
}

// exits CODE COMMAND...: the command ends with exactly that code.
func exits(ts *testscript.TestScript, neg bool, arguments []string) {
	want, err := strconv.Atoi(arguments[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(arguments[1], arguments[2:]...); err != nil {
		got = -1
		var ended interface{ ExitCode() int }
		if asExit(err, &ended) {
			got = ended.ExitCode()
		}
	}
	if got != want {
		ts.Fatalf("%v ended with %d, want %d", arguments[1:], got, want)
	}
}

func asExit(err error, ended *interface{ ExitCode() int }) bool {
	e, ok := err.(interface{ ExitCode() int })
	*ended = e
	return ok
}

// invented FILE HOST: writes the survey of a host of inventedFor, all of it invented.
func inventedHost(ts *testscript.TestScript, neg bool, arguments []string) {
	ts.Check(os.WriteFile(ts.MkAbs(arguments[0]), inventedFor[arguments[1]](), 0o600))
}

// inventedFor gives, by the names of examples, the survey files of hosts that these are
// for and that no fixture is like.
var inventedFor = map[string]func() []byte{
	"screen": func() []byte {
		b := invented.NewBuilder()
		b.Screen()
		b.Guest("grading", "/srv/images/grading.qcow2")
		b.Guest("retouch", "/srv/images/retouch.qcow2")
		return surveyFile(b)
	},
	"ports": func() []byte {
		b := invented.NewBuilder()
		b.Ethernet()
		b.Guest("scans", "/srv/images/scans.qcow2")
		b.Guest("films", "/srv/images/films.qcow2")
		return surveyFile(b)
	},
	"scanner": func() []byte {
		b := invented.NewBuilder()
		b.USB()
		b.Guest("intake", "/srv/images/intake.qcow2")
		return surveyFile(b)
	},
	"delivery": func() []byte {
		b := invented.NewBuilder()
		own := b.Function(b.Network("eno1"))
		own.Interfaces[0].Up, own.Interfaces[0].Addresses, own.Interfaces[0].Default = true, []string{"192.0.2.7/24"}, true
		b.Survey.Sessions = []facts.Session{{Address: "192.0.2.7", Who: "sshd (pid 77)"}}
		lent := b.Function(b.Network("enp2s0"))
		lent.Device, lent.VirtualMost, lent.VirtualProbed = 0x1533, 0, false
		b.Guest("delivery", "/srv/images/delivery.qcow2")
		return surveyFile(b)
	},
	"mirror":           func() []byte { return mirrored(true, true) },
	"mirror unmounted": func() []byte { return mirrored(true, false) },
	"mirror stopped":   func() []byte { return mirrored(false, false) },
}

// mirrored is a host with two storage controllers, behind the first of which are the two
// disks of a mirror.
func mirrored(assembled, mounted bool) []byte {
	b := invented.NewBuilder()
	b.Storage("wwn-0x50014ee2b5c3f2a1", "wwn-0x50014ee2b5c3f2a2")
	bays := b.Function(b.Storage("ata-SENT_IN_7"))
	bays.Vendor, bays.Device = 0x1b21, 0x0612
	for _, half := range []string{"sda1", "sdb1"} {
		b.Block(half).Signature = &facts.Signature{Kind: "linux_raid_member", Usage: "raid"}
	}
	if assembled {
		b.Mirror("md127", "sda1", "sdb1")
	}
	if mounted {
		b.Mount("md127", "/srv/films")
	}
	b.Guest("intake", "/srv/images/intake.qcow2")
	return surveyFile(b)
}

func surveyFile(b *invented.Builder) []byte {
	var content bytes.Buffer
	if err := b.Survey.Encode(&content); err != nil {
		panic(err) // a mistake in a test's own input
	}
	return content.Bytes()
}

// code VAR: sets VAR to the approval code that the last command printed.
func code(ts *testscript.TestScript, neg bool, arguments []string) {
	for line := range bytes.Lines([]byte(ts.ReadFile("stdout"))) {
		if rest, ok := bytes.CutPrefix(line, []byte("Approval code: ")); ok {
			ts.Setenv(arguments[0], string(bytes.TrimSpace(rest)))
			return
		}
	}
	ts.Fatalf("no approval code was printed")
}

// hold FOLDER: holds the lock of a host until the script ends.
func hold(ts *testscript.TestScript, neg bool, arguments []string) {
	ts.Check(os.MkdirAll(ts.MkAbs(arguments[0]), 0o700))
	lock := flock.New(filepath.Join(ts.MkAbs(arguments[0]), "lock"))
	locked, err := lock.TryLock()
	ts.Check(err)
	if !locked {
		ts.Fatalf("the lock is held already")
	}
	ts.Defer(func() { _ = lock.Unlock() })
}

// cutafter FOLDER N: leaves the first N records and half of the next in the
// folder's only journal, as a crash does.
func cutAfter(ts *testscript.TestScript, neg bool, arguments []string) {
	names, err := filepath.Glob(filepath.Join(ts.MkAbs(arguments[0]), "*.journal"))
	ts.Check(err)
	if len(names) != 1 {
		ts.Fatalf("want one journal, there are %d", len(names))
	}
	n, err := strconv.Atoi(arguments[1])
	ts.Check(err)
	content, err := os.ReadFile(names[0])
	ts.Check(err)
	lines := bytes.SplitAfter(content, []byte("\n"))
	kept := bytes.Join(lines[:n], nil)
	kept = append(kept, lines[n][:len(lines[n])/2]...)
	ts.Check(os.WriteFile(names[0], kept, 0o600))
}

// edit FILE OLD NEW: replaces text that must be there.
func edit(ts *testscript.TestScript, neg bool, arguments []string) {
	content := []byte(ts.ReadFile(arguments[0]))
	if !bytes.Contains(content, []byte(arguments[1])) {
		ts.Fatalf("%s does not hold %q", arguments[0], arguments[1])
	}
	changed := bytes.ReplaceAll(content, []byte(arguments[1]), []byte(arguments[2]))
	ts.Check(os.WriteFile(ts.MkAbs(arguments[0]), changed, 0o644))
}

// waitfor TEXT COMMAND...: runs a command until it prints a text.
func waitFor(ts *testscript.TestScript, neg bool, arguments []string) {
	for range 100 {
		ts.Check(ts.Exec(arguments[1], arguments[2:]...))
		if strings.Contains(ts.ReadFile("stdout"), arguments[0]) {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	ts.Fatalf("%v never printed %q", arguments[1:], arguments[0])
}
