package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/gofrs/flock"

	"lendkeep/providers/hook"
	"lendkeep/providers/memory"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/order"
)

// exists tells whether the stand-in host's folder is there at all, before
// anything is made in it.
func (w *where) exists() error {
	if w.standIn == "" {
		return nil
	}
	if _, err := os.Stat(w.standIn); err != nil {
		return fail(exitUsage, "make one: mkdir FOLDER && lendkeep survey -o FOLDER/"+memory.FirstFile, "open stand-in host: the folder needs a survey to begin with: %w", err)
	}
	return nil
}

// journals is the folder where a host's orders are recorded. Whoever holds it
// is alone: it is locked from open to Close.
type journals struct {
	folder string
	lock   *flock.Flock
}

func openJournals(folder string) (*journals, error) {
	if err := makeKeep(folder); err != nil {
		return nil, err
	}
	lock := flock.New(filepath.Join(folder, "lock"))
	locked, err := tryLock(lock)
	if err != nil {
		return nil, fail(exitUsage, "run lendkeep as root", "lock journals: %w", err)
	}
	if !locked {
		return nil, fail(exitLocked, "wait until it has ended, then look again: lendkeep status", "another lendkeep is changing this host; nothing was touched")
	}
	if folder == keepFolder {
		if err := quiet(hook.Grants{Folder: hook.GrantsFolder, Now: hook.Now}); err != nil {
			return nil, errors.Join(err, lock.Close())
		}
	}
	return &journals{folder, lock}, nil
}

// quiet refuses while a start is under way that the guard has let through:
// until libvirt has taken what was granted, an order might mount it.
func quiet(g hook.Grants) error {
	switch list, err := g.List(); {
	case err != nil:
		return fail(exitUsage, "run lendkeep as root", "lock journals: %w", err)
	case len(list) > 0:
		return fail(exitLocked, "try again in a moment", "%s, is being started; nothing was touched", list[0])
	}
	return nil
}

// A look whether a lock is held takes it for a moment, so it is tried for longer.
const (
	tryFor   = time.Second
	tryEvery = 50 * time.Millisecond
)

func tryLock(lock *flock.Flock) (bool, error) {
	ctx, cancel := context.WithTimeout(context.Background(), tryFor)
	defer cancel()
	locked, err := lock.TryLockContext(ctx, tryEvery)
	if errors.Is(err, context.DeadlineExceeded) {
		return false, nil
	}
	return locked, err
}

// makeKeep makes the folder of journals and history.
func makeKeep(folder string) error {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return fail(exitUsage, "run lendkeep as root", "open journals: %w", err)
	}
	return nil
}

// Close lets others in.
func (j *journals) Close() error { return j.lock.Close() }

// names gives the journals' files, the oldest first: names begin with the time.
func (j *journals) names() ([]string, error) {
	list, err := filepath.Glob(filepath.Join(j.folder, "*.journal"))
	slices.Sort(list)
	return list, err
}

// create begins the journal of an order.
func (j *journals) create(sealed order.Sealed) (*journal.Journal, error) {
	stamp := time.Now().UTC().Format("20060102T150405.000000000Z")
	return journal.Create(filepath.Join(j.folder, stamp+"-"+sealed.ID()[:12]+".journal"))
}

// unended tells whether an order was begun and has not come to an end.
func (j *journals) unended() error {
	names, err := j.names()
	if err != nil || len(names) == 0 {
		return err
	}
	report, err := readJournal(names[len(names)-1])
	if err != nil || report.Steps == nil {
		return err
	}
	switch report.Ended {
	case "":
		return fail(exitUnended, "lendkeep resume to go on with it, or lendkeep rollback to undo it", "an earlier order (%s) was begun and has not ended; nothing was touched", report.Sealed.Code())
	case carry.Stuck:
		return fail(exitUnended, "do by hand what it says, then lendkeep rollback", "an earlier order (%s) is stuck: %s; nothing was touched", report.Sealed.Code(), report.Note)
	default:
		return nil
	}
}

// last opens the newest journal that holds an order, to go on with it.
func (j *journals) last() (*journal.Journal, carry.Report, error) {
	names, err := j.names()
	if err != nil {
		return nil, carry.Report{}, err
	}
	for _, name := range slices.Backward(names) {
		open, records, err := journal.Open(name)
		if err != nil {
			return nil, carry.Report{}, fail(exitPerson, "", "%w", err)
		}
		if len(records) == 0 { // cut off before anything was begun
			if err := open.Close(); err != nil {
				return nil, carry.Report{}, err
			}
			continue
		}
		report, err := carry.Fold(records)
		if err != nil {
			return nil, carry.Report{}, errors.Join(fail(exitPerson, "", "%s: %w", name, err), open.Close())
		}
		return open, report, nil
	}
	return nil, carry.Report{}, fail(exitUsage, "", "no order was carried out on this host: %s holds no journal", j.folder)
}

func readJournal(name string) (carry.Report, error) {
	content, err := os.ReadFile(name)
	if err != nil {
		return carry.Report{}, err
	}
	records, _, err := journal.Read(content)
	if err != nil {
		return carry.Report{}, fail(exitPerson, "", "%s: %w", name, err)
	}
	if len(records) == 0 {
		return carry.Report{}, nil
	}
	report, err := carry.Fold(records)
	if err != nil {
		return carry.Report{}, fail(exitPerson, "", "%s: %w", name, err)
	}
	return report, nil
}

// lastReport reads the newest journal without taking the lock; no journals is
// no error.
func lastReport(folder string) (carry.Report, error) {
	names, err := (&journals{folder: folder}).names()
	if errors.Is(err, fs.ErrNotExist) || len(names) == 0 {
		return carry.Report{}, nil
	}
	if err != nil {
		return carry.Report{}, fmt.Errorf("read journals: %w", err)
	}
	return readJournal(names[len(names)-1])
}
