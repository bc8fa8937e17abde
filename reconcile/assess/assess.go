// Package assess compares a layout with the facts of a host and tells what is
// wrong, dangerous or worth knowing, as findings. It is pure. Start at Assess;
// each check is one file and one line in checks.
package assess

import (
	"cmp"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Severity says what a finding means for an order.
type Severity string

// A stop keeps any order from being written; a caution is printed with it.
const (
	Stop    Severity = "stop"
	Caution Severity = "caution"
	Note    Severity = "note"
)

// Cause is one fact that led to a finding: where it was seen and what was seen.
type Cause struct {
	Path  string `json:"path"`
	Value string `json:"value"`
}

// Finding is the operator's matter: something wrong, dangerous or worth
// knowing. Summary is at most 60 characters and names the thing; Remedies are
// verb phrases, the most harmless first.
type Finding struct {
	Check    string     `json:"check"`
	Severity Severity   `json:"severity"`
	Summary  string     `json:"summary"`
	Detail   string     `json:"detail"`
	Causes   []Cause    `json:"causes"`
	Remedies []string   `json:"remedies"`
	At       spec.Place `json:"at"` // the line of the layout it is about
}

// Check is one kind of finding: a name that never changes, and what finds it.
type Check struct {
	Name string
	File string // its source file, whose head explains it
	Run  func(*Case) []Finding
}

// checks lists every check in the sequence in which findings are printed.
var checks = []Check{
	{"host-name", "hostname.go", checkHostName},
	{"controller-identity", "identity.go", checkIdentity},
	{"known-by-record", "identity.go", checkRecords},
	{"wrong-device", "address.go", checkAddresses},
	{"twins", "twins.go", checkTwins},
	{"protected", "protected.go", checkProtected},
	{"host-use", "hostuse.go", checkHostUse},
	{"only-display", "display.go", checkDisplays},
	{"bridge", "bridge.go", checkBridges},
	{"iommu", "iommu.go", checkIOMMU},
	{"group", "group.go", checkGroups},
	{"acs", "acs.go", checkACS},
	{"goes-along", "along.go", checkAlong},
	{"reset", "reset.go", checkReset},
	{"quirk", "quirk.go", checkQuirks},
	{"override", "override.go", checkOverrides},
	{"power", "power.go", checkPower},
	{"registers", "registers.go", checkRegisters},
	{"aperture", "aperture.go", checkAperture},
	{"option-rom", "optionrom.go", checkOptionROMs},
	{"undeclared", "undeclared.go", checkUndeclared},
	{"unread", "unread.go", checkUnread},
	{"card", "card.go", checkCards},
	{"virtual-function", "virtual.go", checkVirtual},
	{"virtual-count", "virtualcount.go", checkVirtualCount},
	{"lone-function", "lone.go", checkLone},
	{"contention", "contention.go", checkContention},
	{"shared", "shared.go", checkShared},
	{"shift", "shift.go", checkShifts},
	{"memory", "memory.go", checkMemory},
	{"near", "near.go", checkNear},
	{"node-memory", "nodememory.go", checkNodeMemory},
	{"huge-pages", "pages.go", checkPages},
	{"pages-at-boot", "pagesatboot.go", checkPagesAtBoot},
	{"order-at-boot", "atboot.go", checkAtBoot},
	{"locked-memory", "locked.go", checkLocked},
	{"copy", "copy.go", checkCopy},
	{"copy-from", "back.go", checkCopyFrom},
	{"partition", "partition.go", checkPartitions},
	{"return-mount", "returnmount.go", checkReturnMounts},
	{"stray-mount", "straymount.go", checkStrayMounts},
	{"trusting-mount", "trustingmount.go", checkTrustingMounts},
	{"led-out", "ledout.go", checkLedOut},
	{"guest-disk", "guestdisk.go", checkGuestDisks},
	{"host-disk", "hostdisk.go", checkHostDisks},
	{"guest-definition", "guestdef.go", checkDefinitions},
	{"boot", "boot.go", checkBoot},
	{"loader", "loader.go", checkLoaders},
	{"gap", "gap.go", checkGaps},
	{"link", "link.go", checkLinks},
	{"not-carried-out", "notyet.go", checkNotCarriedOut},
	{"unguarded", "unguarded.go", checkUnguarded},
	{"unwatched", "unwatched.go", checkUnwatched},
}

// Assess runs every check. Findings come by severity, then in the sequence of
// the checks and of the layout.
func Assess(c *Case) []Finding {
	list := []Finding{}
	for _, check := range checks {
		for _, f := range check.Run(c) {
			f.Check = check.Name
			list = append(list, f)
		}
	}
	slices.SortStableFunc(list, func(a, b Finding) int { return cmp.Compare(rank(a.Severity), rank(b.Severity)) })
	return list
}

func rank(s Severity) int { return slices.Index([]Severity{Stop, Caution, Note}, s) }

// Stops tells whether a finding keeps any order from being written.
func Stops(list []Finding) bool {
	return slices.ContainsFunc(list, func(f Finding) bool { return f.Severity == Stop })
}

// causeOf states what a survey holds of a function's attribute.
func causeOf(f *facts.Function, attribute, value string) Cause {
	return Cause{"/sys/bus/pci/devices/" + f.Address.String() + "/" + attribute, value}
}

// none stands in a cause for a value that is empty.
const none = "(none)"
