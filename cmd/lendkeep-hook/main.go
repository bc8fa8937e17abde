// Command lendkeep-hook is the guard of starts: libvirt calls it, through the
// hook that an order installed, before every start and after every end of a
// guest. It reads /sys, udev and mounts, never calls libvirt, and goes by the
// rules that the same order installed. Start at run, and at front for how it
// answers in time.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/syslog"
	"math"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"lendkeep/providers/files"
	"lendkeep/providers/history"
	"lendkeep/providers/holding"
	"lendkeep/providers/hook"
	"lendkeep/providers/mounting"
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

// Operations: three of libvirt's, then those by which this program calls itself.
const (
	opPrepare  = "prepare begin"
	opStarted  = "started begin"
	opRelease  = "release end"
	opTakeBack = "take back"    // what release could not wait for
	opRefused  = "tell refused" // why a start was refused, on standard input
	work       = "work"         // what follows is done for a front
)

func main() {
	// What else libvirt has open is no matter of the programs that are started here
	// (Linux 5.11; before that libvirt alone sees to it).
	_ = unix.CloseRange(3, math.MaxUint32, unix.CLOSE_RANGE_CLOEXEC)
	arguments := os.Args[1:]
	if len(arguments) == 3 && arguments[1] == work {
		answerFront(arguments, os.Stdin, os.Stdout, machine())
		return
	}
	self, err := os.Executable()
	if f := (front{program: self, bounds: bounds, detach: detach}); err == nil && f.answers(arguments) {
		os.Exit(f.answer(arguments, os.Stdin, plain.Lines{Out: os.Stderr}))
	}
	os.Exit(run(arguments, os.Stdin, plain.Lines{Out: os.Stderr}, machine()))
}

// machine gives everything of this machine. That a host cannot be told of
// something is no reason to wait.
func machine() surroundings {
	here := surroundings{contents: readContents, mounts: mounting.Programs{}, ask: holding.Ask, askDisks: holding.AskDisks, lock: filepath.Join(files.Kept, files.LockName),
		grants: hook.Grants{Folder: hook.GrantsFolder, Now: hook.Now}, word: hook.Word{Folder: hook.GrantsFolder, Now: hook.Now},
		later: takeBackLater, now: time.Now, wait: time.Sleep, limits: usual,
		log:  func(text string) { quietly(logWithin, func() { logLine(text) }) },
		note: func(e watch.Event) { quietly(noteWithin, func() { leaveNote(e) }) }}
	tree := sysfs.Machine()
	here.rules = func() facts.InstalledGuard { return hook.Rules(tree.Root()) }
	here.survey, here.paths, here.names, here.rungs = tree.Answer, tree.Paths, tree.Name, tree
	return here
}

// surroundings is everything that the guard sees and acts through.
type surroundings struct {
	rules    func() facts.InstalledGuard // as they are installed
	survey   func(context.Context, facts.Question) (facts.Survey, error)
	paths    func(ctx context.Context, named []string) []facts.Path // where these lead
	names    func(*facts.Survey)                                    // adds what functions are called
	contents func(*facts.Survey, guard.Rules)                       // adds how the filesystems were left that the rules mount
	mounts   mounts
	ask      func(context.Context, *facts.Survey, ...facts.Address) // has the kernel say who holds what is below functions
	askDisks func(ctx context.Context, s *facts.Survey, named ...string)
	rungs    guard.Recovery
	lock     string
	grants   hook.Grants
	word     hook.Word                            // of the order under way
	later    func(guest, definition string) error // takes back what release could not wait for
	now      func() time.Time
	wait     func(time.Duration)
	limits   limits
	log      func(string)
	note     func(watch.Event) // for the history
}

type mounts interface {
	Mount(ctx context.Context, device, kind, path string, options []string) error
	Unmount(ctx context.Context, path string) error
}

// limits bound what a call waits for; libvirt waits for the call, and so does
// whoever starts a guest.
type limits struct {
	look    bound // one at the host, the kernel's answers included
	names   bound // of functions, in the host's PCI id database
	unmount bound // of all that is in the way: what was written must first reach the drives
	mount   bound // of one filesystem
}

var usual = limits{look: bound{10 * time.Second, 2 * time.Second}, names: bound{limit: 2 * time.Second}, unmount: bound{20 * time.Second, 2 * time.Second}, mount: bound{5 * time.Second, 2 * time.Second}}

// How long the system's log, and the disk with the history, may take to hear of
// something.
const (
	logWithin  = time.Second
	noteWithin = 2 * time.Second
)

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
			if code = exitPass; operation == opPrepare {
				code = exitRefuse
			}
		}
	}()
	switch operation {
	case opPrepare:
		if err := prepare(guest, definition, here); err != nil {
			fmt.Fprintln(stderr, notStarted(guest, err.Error()))
			here.refused(guest, err.Error())
			return exitRefuse
		}
	case opStarted: // libvirt has what it was granted
		here.grants.End(guest)
	case opRelease:
		release(guest, definition, here)
	case opTakeBack:
		takeBack(guest, definition, here)
	case opRefused:
		if why, err := readBounded(definition); err == nil {
			here.refused(guest, why)
		}
	}
	return exitPass
}

func notStarted(guest, why string) string {
	return fmt.Sprintf("lendkeep: guest %s was not started: %s.", guest, why)
}

// refused tells log and history of a start that was refused.
func (here surroundings) refused(guest, why string) {
	here.log(notStarted(guest, why))
	here.note(watch.Event{At: here.now().UTC(), Kind: watch.Refused, Guest: guest, Text: why})
}

// maxRead bounds what is read on standard input, of a definition above all.
const maxRead = 4 << 20

func readBounded(r io.Reader) (string, error) {
	content, err := io.ReadAll(io.LimitReader(r, maxRead+1))
	if err == nil && len(content) > maxRead {
		err = errors.New("it is longer than any that libvirt writes")
	}
	return string(content), err
}

// leaveNote leaves a note for the history. A host that cannot keep one starts
// and ends its guests all the same.
func leaveNote(e watch.Event) {
	if err := (history.Folder{Path: files.Kept}).Note(e); err != nil {
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
