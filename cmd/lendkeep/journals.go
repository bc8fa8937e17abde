package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"time"

	"github.com/gofrs/flock"

	"lendkeep/providers/files"
	"lendkeep/providers/hook"
	"lendkeep/providers/memory"
	"lendkeep/reconcile/journal"
)

const makeStandIn = "make one: mkdir FOLDER && lendkeep survey -o FOLDER/" + memory.FirstFile

// exists tells whether the stand-in host's folder is there at all, and nobody
// else's, before anything is made in it.
func (w *where) exists() error {
	if w.standIn == "" {
		return nil
	}
	if _, err := os.Stat(w.standIn); err != nil {
		return fail(exitUsage, makeStandIn, "open stand-in host: the folder needs a survey to begin with: %w", err)
	}
	if err := files.Own(w.standIn); err != nil {
		return fail(exitUsage, "use a folder that only you can write: mkdir -m 700 FOLDER", "open stand-in host: %w", err)
	}
	return nil
}

// journals is the folder where a host's orders are recorded. Whoever holds it
// is alone: it is locked from open to Close.
type journals struct {
	past
	lock *flock.Flock
}

func openJournals(folder, machine string) (*journals, error) {
	lock, err := lockIn(folder, files.LockName, fail(exitLocked, "wait until it has ended, then look again: lendkeep status --orders", "another lendkeep is changing this host; nothing was touched"))
	if err != nil {
		return nil, err
	}
	if folder == files.Kept {
		err = quiet(hook.Grants{Folder: hook.GrantsFolder, Now: hook.Now})
	}
	j := &journals{lock: lock}
	if err == nil {
		j.past, err = readPast(folder, machine)
	}
	if err != nil {
		return nil, errors.Join(err, lock.Close())
	}
	return j, nil
}

// quiet refuses while a start is under way that the guard has let through:
// until libvirt has taken what was granted, an order might mount it.
func quiet(g hook.Grants) error {
	switch list, err := g.List(); {
	case err != nil:
		return fail(exitUsage, asRoot(err), "lock journals: %w", err)
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

// lockIn takes a lock in the folder of journals and history, which is made where it
// is missing; taken is the error where another process has it.
func lockIn(folder, name string, taken error) (*flock.Flock, error) {
	if err := makeKeep(folder); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), tryFor)
	defer cancel()
	lock := files.Lock(filepath.Join(folder, name))
	locked, err := lock.TryLockContext(ctx, tryEvery)
	switch {
	case err != nil && !errors.Is(err, context.DeadlineExceeded):
		return nil, fail(exitUsage, asRoot(err), "lock %s: %w", lock.Path(), err)
	case !locked:
		return nil, taken
	}
	return lock, nil
}

// makeKeep makes the folder of journals and history. Whoever could write in it
// could have anything undone.
func makeKeep(folder string) error {
	err := os.MkdirAll(folder, 0o700)
	if err == nil {
		err = files.Own(folder)
	}
	if err != nil {
		return fail(exitUsage, asRoot(err), "open journals: %w", err)
	}
	return nil
}

// Close lets others in.
func (j *journals) Close() error { return j.lock.Close() }

// create begins the journal of the next order.
func (j *journals) create() (*journal.Journal, error) {
	return journal.Create(filepath.Join(j.folder, numbered(j.next())))
}

// open opens a journal to go on with it.
func (j *journals) open(of begun) (*journal.Journal, error) {
	open, _, err := journal.Open(of.file)
	if err != nil {
		return nil, fail(exitPerson, "", "%w", err)
	}
	return open, nil
}
