package files

import (
	"os"

	"github.com/gofrs/flock"
	"golang.org/x/sys/unix"
)

// Kept is where lendkeep keeps journals, history, notes and its lock on a real host
// (Filesystem Hierarchy Standard 3.0, 5.8: /var/lib).
const Kept = "/var/lib/lendkeep"

// LockName names the file in such a folder that is held while an order is carried
// out.
const LockName = "lock"

// Lock gives the lock that a file of lendkeep's own stands for; the file is made
// where it is missing. A pipe or link in its place is not waited for or followed.
func Lock(name string) *flock.Flock {
	return flock.New(name, flock.SetFlag(os.O_CREATE|os.O_RDONLY|quick), flock.SetPermissions(Private))
}

// HeldLock is Lock, but makes no file: to see whether another process holds it.
func HeldLock(name string) *flock.Flock { return flock.New(name, flock.SetFlag(os.O_RDONLY|quick)) }

const quick = unix.O_NONBLOCK | unix.O_NOFOLLOW
