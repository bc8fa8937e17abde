package guard

import "lendkeep/reconcile/facts"

// Files derives everything that is installed for rules: what an order carries
// is the rules alone.
func (r Rules) Files() facts.GuardFiles {
	return facts.GuardFiles{Hook: Script, Rules: r.Encode(), Udev: UdevRules(r)}
}

// Script is the hook that libvirt runs: it hands over to the guard's program.
// It does so where the program has something to do, and at every operation but
// prepare it ends well whatever that does, since a failure at reconnect kills a
// running guest. Without the program a guest
// that borrows a PCI function is refused and every other one let through.
const Script = `#!/bin/sh
` + facts.GuardMark + `
# Written and removed by orders of lendkeep; what it goes by is in
# ` + facts.GuardRules + `.
case "$2 $3" in
"prepare begin" | "started begin" | "release end") ;;
*) exit 0 ;;
esac
program=` + facts.GuardProgram + `
"$program" "$@"
code=$?
[ "$2" = prepare ] || exit 0
case $code in
0) exit 0 ;;
126 | 127) ;; # it could not be run
*) exit 1 ;;
esac
if grep -Eq "<hostdev [^>]*type='pci'|<(interface|disk) [^>]*type='(hostdev|nvme)'|vfio"; then
	echo "lendkeep: guest $1 borrows a PCI function, but the guard's program $program cannot be run, so nothing was checked. Install it, then start the guest again." >&2
	exit 1
fi
exit 0
`
