package definition

import (
	"fmt"
	"slices"
	"strings"

	"github.com/beevik/etree"
)

// Marks of lendkeep's own in <alias>, by which a disk or card is known again
// when what it leads to has changed. libvirt keeps names that start with "ua-"
// and have no other characters than letters, digits, - and _ (libvirt domain
// format, "alias"); all of these are the operator's to give, so that a mark
// names lendkeep.
const (
	diskMark    = "ua-lendkeep-disk-"
	networkMark = "ua-lendkeep-net-"
)

// The marks of lendkeep's first versions. An operator may have given the same
// alias, so that alone they prove nothing.
const (
	oldDiskMark    = "ua-"
	oldNetworkMark = "ua-net-"
)

// mark gives the alias of a name. Two names never get the same: characters
// that libvirt does not take are written as _ and their hexadecimal number.
func mark(prefix, name string) string {
	alias := prefix
	for _, b := range []byte(name) {
		switch {
		case b == '_':
			alias += "__"
		case b == '-' || b >= '0' && b <= '9' || b >= 'A' && b <= 'Z' || b >= 'a' && b <= 'z':
			alias += string(rune(b))
		default:
			alias += fmt.Sprintf("_%02x", b)
		}
	}
	return alias
}

func aliasOf(el *etree.Element) string { return attr(child(el, "alias"), "name") }

// marked tells whether a disk or card bears a mark of lendkeep's, for whatever
// name.
func marked(el *etree.Element) bool {
	return strings.HasPrefix(aliasOf(el), diskMark) || strings.HasPrefix(aliasOf(el), networkMark)
}

// doubted refuses to add what the guest may have already: a device whose alias
// is either an old mark or the operator's own.
func doubted(what string, had, found []*etree.Element, old, now string) error {
	for _, el := range had {
		if aliasOf(el) == old && !slices.Contains(found, el) {
			return fmt.Errorf("%s: whether it is the one with alias %s, of lendkeep's or of your own, is not known; "+
				"make that %s by hand if it is, anything else if it is not", what, old, now)
		}
	}
	return nil
}
