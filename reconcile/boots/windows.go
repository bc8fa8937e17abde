package boots

import (
	"fmt"
	"maps"
	"slices"

	"lendkeep/reconcile/facts"
)

// NVMeService is the service of Windows' own NVMe driver.
const NVMeService = "stornvme"

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
	for i, name := range slices.Sorted(maps.Keys(overrides)) {
		if i < toldMost {
			seen += fmt.Sprintf(`, StartOverride\%.40s is %d`, name, overrides[name])
		} else if i == toldMost {
			seen += fmt.Sprintf(", and %d more", len(overrides)-i)
		}
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

// FastStartup answers whether shutting Windows down does not hibernate it: by its number
// HiberbootEnabled (nil: not seen), whether a policy has fast startup be on whatever that
// is, and whether it can hibernate at all: what cannot takes fast startup with it
// (Microsoft, "Distinguishing Fast Startup from Wake-from-Hibernation", and WinInit.admx,
// "Require use of fast startup"; the names of the values: common practice).
func FastStartup(fast *uint64, policy, hibernates facts.Held) (facts.Held, string) {
	seen := "HiberbootEnabled was not seen"
	if fast != nil {
		seen = fmt.Sprintf("HiberbootEnabled is %d", *fast)
	}
	switch policy {
	case facts.Present:
		seen += ", by a policy it is on"
	case facts.Unknown:
		seen += ", whether by a policy it is on was not seen"
	}
	switch on := policy == facts.Present || fast != nil && *fast != 0; {
	case hibernates == facts.Absent:
		return facts.Present, seen + "; it cannot hibernate"
	case !on && fast != nil && policy == facts.Absent:
		return facts.Present, seen
	case on && hibernates == facts.Present:
		return facts.Absent, seen + ": shutting it down hibernates it"
	case on:
		return facts.Unknown, seen + "; whether it can hibernate was not seen"
	}
	return facts.Unknown, seen
}
