package facts

import (
	"regexp"
	"sync"
)

var keepName = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]*$`) })

// KeepName tells whether a text may be the name of what an order keeps beside its
// journal: no path.
func KeepName(text string) bool { return keepName().MatchString(text) }
