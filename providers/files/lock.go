package files

import (
	"os"

	"github.com/gofrs/flock"
	"golang.org/x/sys/unix"
)

// Lock gives the lock that a file of lendkeep's own stands for; the file is made
// where it is missing. A pipe or link in its place is not waited for or followed.
func Lock(name string) *flock.Flock {
	return flock.New(name, flock.SetFlag(os.O_CREATE|os.O_RDONLY|quick), flock.SetPermissions(Private))
}

// HeldLock is Lock, but makes no file: to see whether another process holds it.
func HeldLock(name string) *flock.Flock { return flock.New(name, flock.SetFlag(os.O_RDONLY|quick)) }

const quick = unix.O_NONBLOCK | unix.O_NOFOLLOW
