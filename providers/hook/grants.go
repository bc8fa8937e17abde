package hook

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/gofrs/flock"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// GrantsFolder is empty after a restart of the host, as no start is then under
// way (Filesystem Hierarchy Standard 3.0, 3.15: /run).
const GrantsFolder = "/run/lendkeep"

const (
	// TurnWithin is how long a start waits for a return that is being worked on.
	TurnWithin = 5 * time.Second
	turnEvery  = 100 * time.Millisecond
	// GrantFor is how long a grant holds that nobody ends: a start takes the
	// function within moments, and one that has not done so by then never will,
	// since libvirtd ended meanwhile.
	GrantFor = 2 * time.Minute
)

// Grants keeps apart what libvirt calls side by side: the start of one guest
// and the return after another, a refused one above all. Between a start that
// was granted and the moment when libvirt takes the function away nothing of it
// may be mounted; a file of the function's address with the guest's name says
// so. Whoever looks and then acts does it in his turn.
type Grants struct {
	Folder string
	Now    func() time.Time
}

// Turn waits until nobody else of the guard is at work; done ends it.
func (g Grants) Turn(wait func(time.Duration)) (done func(), err error) {
	if err := os.MkdirAll(g.Folder, 0o700); err != nil {
		return nil, fmt.Errorf("take a turn: %w", err)
	}
	lock := flock.New(filepath.Join(g.Folder, "turn"))
	for waited := time.Duration(0); ; waited += turnEvery {
		free, err := lock.TryLock()
		switch {
		case err != nil:
			return nil, fmt.Errorf("take a turn: %w", err)
		case free:
			return func() { _ = lock.Close() }, nil
		case waited >= TurnWithin:
			return nil, errors.New("what another guest had borrowed is being taken back; try again in a moment")
		}
		wait(turnEvery)
	}
}

func (g Grants) file(at facts.Address) string { return filepath.Join(g.Folder, "granted-"+at.String()) }

// Grant notes that a guest may take functions.
func (g Grants) Grant(guest string, d facts.Definition) error {
	for _, l := range d.Lent {
		if err := os.WriteFile(g.file(l.Address), []byte(guest), 0o600); err != nil {
			return fmt.Errorf("note that it may start: %w", err)
		}
	}
	return nil
}

// End takes back what a guest was granted, once libvirt has taken the functions
// or given up, and leaves what another was.
func (g Grants) End(guest string, d facts.Definition) {
	for _, l := range d.Lent {
		if holder, err := os.ReadFile(g.file(l.Address)); err == nil && string(holder) == guest {
			_ = os.Remove(g.file(l.Address)) // it ends by itself a little later
		}
	}
}

// List gives what was granted to starts that are under way. What cannot be read
// counts.
func (g Grants) List() ([]guard.Grant, error) {
	entries, err := os.ReadDir(g.Folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read which starts are under way: %w", err)
	}
	var list []guard.Grant
	for _, entry := range entries {
		name, ours := strings.CutPrefix(entry.Name(), "granted-")
		at, err := facts.ParseAddress(name)
		if !ours || err != nil {
			continue
		}
		if stat, err := entry.Info(); err == nil && g.Now().Sub(stat.ModTime()) > GrantFor {
			continue
		}
		guest, err := os.ReadFile(g.file(at))
		switch {
		case errors.Is(err, fs.ErrNotExist): // it has ended meanwhile
			continue
		case err != nil:
			return nil, fmt.Errorf("read which starts are under way: %w", err)
		}
		list = append(list, guard.Grant{Address: at, Guest: string(guest)})
	}
	return list, nil
}
