package hook

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/strict"
)

// GrantsFolder is empty after a restart of the host, as no start is then under
// way (Filesystem Hierarchy Standard 3.0, 3.15: /run).
const GrantsFolder = "/run/lendkeep"

const (
	// LockWithin is how long a start waits for a return that is being worked on.
	LockWithin = 5 * time.Second
	lockEvery  = 100 * time.Millisecond
	// GrantFor is how long a grant holds that nobody ends: a start takes what it
	// was granted within moments, and one that has not done so by then never will,
	// since libvirtd ended meanwhile.
	GrantFor = 2 * time.Minute
)

// ErrLocked says that somebody else of the guard was at work for too long.
var ErrLocked = errors.New("what another guest had borrowed is being taken back; try again in a moment")

// Grants keeps apart what libvirt calls side by side: the start of one guest
// and the return after another, a refused one above all. Between a start that
// was granted and the moment when libvirt takes the function away nothing of it
// may be mounted, and what a guest lives on may not be unmounted before it runs; a
// file for each says so. Whoever looks and then acts does it under the lock.
type Grants struct {
	Folder string
	Now    func() (Moment, error)
}

// Lock waits until nobody else of the guard is at work, and gives ErrLocked when
// that takes too long; done ends it.
func (g Grants) Lock(wait func(time.Duration)) (done func(), err error) {
	if err := os.MkdirAll(g.Folder, 0o700); err != nil {
		return nil, fmt.Errorf("lock the grants: %w", err)
	}
	lock := files.Lock(filepath.Join(g.Folder, "turn"))
	for waited := time.Duration(0); ; waited += lockEvery {
		free, err := lock.TryLock()
		switch {
		case err != nil:
			return nil, fmt.Errorf("lock the grants: %w", err)
		case free:
			return func() { _ = lock.Close() }, nil
		case waited >= LockWithin:
			return nil, ErrLocked
		}
		wait(lockEvery)
	}
}

// ErrQueued says that somebody else waits already.
var ErrQueued = errors.New("another process waits for it already")

// Queue has at most one process look after what a guest has let go, and one more
// wait until that has ended, so many times at most; to any further one it gives
// ErrQueued, since the one that waits has yet to look.
func (g Grants) Queue(guest string, wait func(), times int) (done func(), err error) {
	if err := os.MkdirAll(g.Folder, 0o700); err != nil {
		return nil, fmt.Errorf("wait for a return: %w", err)
	}
	sum := sha256.Sum256([]byte(guest))
	name := filepath.Join(g.Folder, "return-"+hex.EncodeToString(sum[:16]))
	next, first := files.Lock(name+"-next"), files.Lock(name)
	waits, err := next.TryLock()
	if err != nil || !waits {
		return nil, errors.Join(ErrQueued, err)
	}
	defer next.Close() // those who come later wait behind this one
	for range times {
		begins, err := first.TryLock()
		if err != nil {
			return nil, fmt.Errorf("wait for a return: %w", err)
		}
		if begins {
			return func() { _ = first.Close() }, nil
		}
		wait()
	}
	return nil, ErrQueued
}

// begins is how the names of grants begin.
const begins = "granted-"

// maxOwn bounds a file of the folder: of an order that names a thousand guests it
// has about 100 KB.
const maxOwn = 1 << 20

// granted is a grant as its file holds it.
type granted struct {
	At       Moment         `json:"at"`
	Guest    string         `json:"guest,omitempty"` // empty: what stood there could not be read
	Function *facts.Address `json:"function,omitempty"`
	Place    string         `json:"place,omitempty"`
}

// readGranted reads a grant; one is of a function or of a place.
func readGranted(content []byte) (granted, error) {
	var g granted
	if err := strict.ReadWhole(content, maxOwn, &g); err != nil {
		return granted{}, err
	}
	if things := g.Function != nil && g.Place != ""; things || g.Guest != "" && g.Function == nil && g.Place == "" {
		return granted{}, errors.New("it is not of one thing")
	}
	return g, nil
}

// Grant notes what a guest that is being started may count on.
func (g Grants) Grant(list []guard.Grant) error {
	now, err := g.Now()
	if err == nil {
		err = os.MkdirAll(g.Folder, 0o700)
	}
	if err != nil {
		return fmt.Errorf("note that it may start: %w", err)
	}
	for _, one := range list {
		made := granted{At: now, Guest: one.Guest, Place: one.Place}
		if one.Place == "" {
			made.Function = &one.Address
		}
		sum := sha256.Sum256([]byte(one.Guest + "\x00" + one.String()))
		if err := g.put(begins+hex.EncodeToString(sum[:16]), made); err != nil {
			return fmt.Errorf("note that it may start: %w", err)
		}
	}
	return nil
}

func (g Grants) put(name string, made granted) error {
	content, err := json.Marshal(made)
	if err != nil {
		return err
	}
	return files.Write(filepath.Join(g.Folder, name), append(content, '\n'), files.Private)
}

// End takes back what a guest was granted, once libvirt has what it needs or has
// given up, and leaves what another was.
func (g Grants) End(guest string) {
	_ = g.each(func(name string, made granted, err error) {
		if err == nil && made.Guest == guest {
			_ = os.Remove(filepath.Join(g.Folder, name)) // it ends by itself a little later
		}
	})
}

// List gives what was granted to starts that are under way. While what cannot be
// read may be such a grant, it is an error; it counts for as long as one that was
// made when it was first seen.
func (g Grants) List() ([]guard.Grant, error) {
	now, err := g.Now()
	if err != nil {
		return nil, fmt.Errorf("read which starts are under way: %w", err)
	}
	var list []guard.Grant
	var unread error
	err = g.each(func(name string, made granted, err error) {
		switch age := now.Since - made.At.Since; {
		case err != nil || made.At.Boot == now.Boot && age < 0:
			unread = fmt.Errorf("read which starts are under way: %s cannot be read, and holds for %s", filepath.Join(g.Folder, name), GrantFor)
			_ = g.put(name, granted{At: now}) // where even that is not possible it holds for longer
		case made.At.Boot != now.Boot || age > GrantFor:
		case made.Guest == "":
			unread = fmt.Errorf("read which starts are under way: %s could not be read, and holds for %s", filepath.Join(g.Folder, name), GrantFor-age)
		case made.Function != nil:
			list = append(list, guard.Grant{Guest: made.Guest, Address: *made.Function})
		default:
			list = append(list, guard.Grant{Guest: made.Guest, Place: made.Place})
		}
	})
	if err == nil {
		err = unread
	}
	if err != nil {
		return nil, err
	}
	return list, nil
}

// each reads every grant.
func (g Grants) each(do func(name string, made granted, err error)) error {
	entries, err := os.ReadDir(g.Folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("read which starts are under way: %w", err)
	}
	for _, entry := range entries {
		if !strings.HasPrefix(entry.Name(), begins) {
			continue
		}
		content, err := files.Read(filepath.Join(g.Folder, entry.Name()), maxOwn)
		if errors.Is(err, fs.ErrNotExist) { // it has ended meanwhile
			continue
		}
		var made granted
		if err == nil {
			made, err = readGranted(content)
		}
		do(entry.Name(), made, err)
	}
	return nil
}
