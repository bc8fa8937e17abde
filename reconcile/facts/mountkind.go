package facts

import (
	"regexp"
	"strings"
	"sync"
)

var plainKind = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[A-Za-z0-9_]{1,32}$`) })

// MountKind tells whether a text may be the kind of filesystem that mount(8) is told:
// a name and no more. Where one begins with fuse, the program that follows is run
// (mount.fuse3(8)). Empty is what the kernel finds.
func MountKind(kind string) bool {
	return kind == "" || plainKind().MatchString(kind) && !strings.HasPrefix(strings.ToLower(kind), "fuse")
}
