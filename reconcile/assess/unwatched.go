// unwatched: nobody follows lends and returns on this host. The guard refuses
// what is dangerous all the same; but a device that is plugged into a running
// guest calls no guard, a controller that does not come back is not told of,
// and there is no history of who had what.
//
// An order installs lendkeep watch as a service of systemd's, where systemd
// runs and the program is there, and removes it when nothing is lent any more.
//
// Severity: note where systemd does not run; caution where the program is
// missing, another unit is in the place of lendkeep's, or that is not known.
//
// Remedy: install the program (the package, or make install) and let the next order install the
// service, or have `lendkeep watch` started with the host.
package assess

import "lendkeep/reconcile/facts"

func checkUnwatched(c *Case) []Finding {
	now := c.Facts.Survey.Watch
	switch {
	case !c.Lends():
		return nil
	case !now.Known():
		return []Finding{c.guardFinding(Caution, "whether lends are watched is not known",
			"The service is neither installed nor changed by an order while it cannot be read, or others than root may write it.",
			Cause{now.Gaps[0].Path, now.Gaps[0].Reason},
			"run lendkeep as root", "see to the file: it must belong to root, and nobody else may write it")}
	case !now.Systemd:
		return []Finding{c.guardFinding(Note, "no service watches lends",
			"systemd does not run this host, so the order installs no service that keeps the history and raises alarms.",
			Cause{"/run/systemd/system", "(absent)"},
			"have lendkeep watch started with the host by what starts its services, or lendkeep watch --once every few minutes by cron")}
	case !now.Ours():
		return []Finding{c.guardFinding(Caution, "another unit sits where the watch belongs",
			"lendkeep replaces no file that it did not write, so lends are not watched.",
			Cause{facts.WatchUnit, "not written by lendkeep"},
			"give that unit another name")}
	case !now.Program:
		return []Finding{c.guardFinding(Caution, "the program that watches lends is missing",
			"The order installs no service that keeps the history and raises alarms, since it could not be started.",
			Cause{facts.WatchProgram, "(absent)"},
			"install it: lendkeep's package, or make install in its source")}
	}
	return nil
}
