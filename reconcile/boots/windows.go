package boots

import (
	"fmt"
	"maps"
	"slices"

	"lendkeep/reconcile/facts"
)

// StartsAtBoot answers whether Windows starts a driver at boot, by the numbers of its
// service: Start must be 0 (Microsoft, "HKLM\SYSTEM\CurrentControlSet\Services Registry
// Tree"), and no number of its key StartOverride another (common practice, and public
// reports of stop code 0x7B). Of those only the one called 0 is known to count.
func StartsAtBoot(service string, start uint64, overrides map[string]uint64) (facts.Held, string) {
	seen := fmt.Sprintf(`%s\Start is %d`, service, start)
	says := facts.Present
	if start != 0 {
		says = facts.Absent
	}
	for _, name := range slices.Sorted(maps.Keys(overrides)) {
		seen += fmt.Sprintf(`, StartOverride\%.40s is %d`, name, overrides[name])
		switch {
		case overrides[name] == 0:
		case name == "0":
			says = facts.Absent
		case says != facts.Absent:
			says = facts.Unknown
		}
	}
	return says, seen
}

// FastStartup answers whether shutting Windows down does not hibernate it, by two
// numbers of its registry; nil: not known. Hibernation that is off takes fast startup
// with it (Microsoft, "Distinguishing Fast Startup from Wake-from-Hibernation"; the
// names of the values: common practice).
func FastStartup(hibernate, fast *uint64) (facts.Held, string) {
	switch {
	case hibernate != nil && *hibernate == 0:
		return facts.Present, "HibernateEnabled is 0: it does not hibernate"
	case fast == nil:
		return facts.Unknown, "HiberbootEnabled was not seen"
	case *fast == 0:
		return facts.Present, "HiberbootEnabled is 0"
	case hibernate == nil:
		return facts.Unknown, fmt.Sprintf("HiberbootEnabled is %d, and HibernateEnabled was not seen", *fast)
	}
	return facts.Absent, fmt.Sprintf("HiberbootEnabled is %d, and HibernateEnabled %d: shutting it down hibernates it", *fast, *hibernate)
}
