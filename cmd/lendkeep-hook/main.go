// Command lendkeep-hook is the guard of starts: libvirt calls it, through the
// hook that an order installed, before every start and after every end of a
// guest. It reads /sys, udev and mounts, never calls libvirt, and goes by the
// rules that the same order installed. Start at run.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/syslog"
	"os"
	"time"

	"lendkeep/providers/drive"
	"lendkeep/providers/history"
	"lendkeep/providers/holding"
	"lendkeep/providers/hook"
	"lendkeep/providers/sysfs"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/watch"
	"lendkeep/spec/plain"
)

// Exit codes as libvirt takes them: any but 0 refuses a start. Of all
// operations only prepare may end so: at reconnect it would kill the guest.
const (
	exitPass   = 0
	exitRefuse = 1
)

// keepFolder is where lendkeep keeps journals and history; lockFile is held by
// it while it carries an order out.
const (
	keepFolder = "/var/lib/lendkeep"
	lockFile   = keepFolder + "/lock"
)

func main() {
	here := surroundings{survey: surveyMachine, contents: readContents, mounts: drive.Mounts{}, ask: holding.Ask, lock: lockFile,
		grants: hook.Grants{Folder: hook.GrantsFolder, Now: time.Now}, later: detach, now: time.Now, wait: time.Sleep, log: logLine, note: leaveNote}
	if tree, err := sysfs.Open("/"); err == nil {
		here.rungs = tree
	}
	os.Exit(run(os.Args[1:], os.Stdin, plain.Lines{Out: os.Stderr}, here))
}

// surroundings is everything that the guard sees and acts through.
type surroundings struct {
	survey   func(ctx context.Context, named []string) (facts.Survey, error)
	contents func(*facts.Survey, guard.Rules) // adds how the filesystems were left that the rules mount
	mounts   mounts
	ask      func(context.Context, *facts.Survey, ...facts.Address) // has the kernel say who holds what is below functions
	rungs    guard.Recovery
	lock     string
	grants   hook.Grants
	later    func(guest, definition string) error // takes back what release could not wait for
	now      func() time.Time
	wait     func(time.Duration)
	log      func(string)
	note     func(watch.Event) // for the history
}

type mounts interface {
	Mount(ctx context.Context, device, kind, path string, options []string) error
	Unmount(ctx context.Context, path string) error
}

// run handles one call of libvirt's. The arguments are guest, operation,
// sub-operation and extra; the guest's definition comes on standard input
// (libvirt, "Hooks for specific system management"). What it says is what
// libvirt shows to whoever started the guest.
func run(arguments []string, definition io.Reader, stderr io.Writer, here surroundings) (code int) {
	if len(arguments) < 3 {
		return exitPass
	}
	guest, operation := arguments[0], arguments[1]+" "+arguments[2]
	defer func() {
		// A mistake of ours must neither kill a guest nor let a start pass unseen.
		if broken := recover(); broken != nil {
			fmt.Fprintln(stderr, "lendkeep: the guard itself failed:", broken)
			if code = exitPass; operation == "prepare begin" {
				code = exitRefuse
			}
		}
	}()
	switch operation {
	case "prepare begin":
		if err := prepare(guest, definition, here); err != nil {
			text := fmt.Sprintf("lendkeep: guest %s was not started: %v.", guest, err)
			fmt.Fprintln(stderr, text)
			here.log(text)
			here.note(watch.Event{At: here.now().UTC(), Kind: watch.Refused, Guest: guest, Text: err.Error()})
			return exitRefuse
		}
	case "started begin": // libvirt has taken what it was granted
		if _, call, err := about(guest, definition); err == nil {
			here.grants.End(guest, call.Definition)
		}
	case "release end":
		release(guest, definition, here)
	case "take back": // none of libvirt's: release has started it
		takeBack(guest, definition, here)
	}
	return exitPass
}

// maxDefinition bounds what is read of a definition.
const maxDefinition = 4 << 20

func readDefinition(r io.Reader) (string, error) {
	content, err := io.ReadAll(io.LimitReader(r, maxDefinition+1))
	if err == nil && len(content) > maxDefinition {
		err = errors.New("it is longer than any that libvirt writes")
	}
	return string(content), err
}

func surveyMachine(ctx context.Context, named []string) (facts.Survey, error) {
	tree, err := sysfs.Open("/")
	if err != nil {
		return facts.Survey{}, err
	}
	return tree.Survey(ctx, named)
}

// leaveNote leaves a note for the history. A host that cannot keep one starts
// and ends its guests all the same.
func leaveNote(e watch.Event) {
	if err := (history.Folder{Path: keepFolder}).Note(e); err != nil {
		logLine("lendkeep: " + err.Error())
	}
}

// logLine tells the system's log: of what a hook says libvirt shows nothing
// but the words of a refusal.
func logLine(text string) {
	log, err := syslog.New(syslog.LOG_DAEMON|syslog.LOG_NOTICE, "lendkeep-hook")
	if err != nil {
		return // a host without a log is no reason to refuse anything
	}
	_ = log.Notice(plain.Text(text))
	_ = log.Close()
}
