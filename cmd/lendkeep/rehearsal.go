package main

import (
	"fmt"
	"io"

	"lendkeep/reconcile/order"
	"lendkeep/reconcile/rehearse"
	"lendkeep/spec/plain"
)

func printRehearsal(w io.Writer, sealed order.Sealed, report rehearse.Report, asJSON bool) error {
	if asJSON {
		return printJSON(w, rehearsed{Code: sealed.Code(), Host: sealed.Order.Host, Good: report.Good(), Report: report})
	}
	t := &text{w: w}
	t.line("Rehearsal of order %s for host %s, on a copy of it in memory", sealed.Code(), sealed.Order.Host)
	t.line("")
	through := "carried out"
	if !report.Through.Good {
		through = "NOT carried out: " + report.Through.Why
	}
	t.prose(`Once through: %s; definitions judged by libvirt: %d.
Then once for each way in which each of its %s can go wrong: it fails, is
done but reports failure, never answers, is cut off (by a killed process or a
power cut, followed by resume or by rollback), or only claims to be done.
`, through, report.Judged, plain.Count(report.Calls, "call"))
	t.line("")
	rows := [][]string{{"call", "ways", "cases", "as before", "as planned", "needs a person", "wrong"}}
	for _, row := range report.Table() {
		rows = append(rows, []string{row.Call, fmt.Sprint(len(row.Modes)), fmt.Sprint(row.Cases), fmt.Sprint(row.Before), fmt.Sprint(row.Planned), fmt.Sprint(row.Person), fmt.Sprint(row.Wrong)})
	}
	t.table(rows)
	t.line("")
	for _, c := range report.Cases {
		if !c.Good {
			t.line("wrong: call %d, %s, %s; %s: %s", c.Number+1, c.Call, c.Mode, c.Recovery, c.Why)
		}
	}
	t.line("%s over %s; %s.", plain.Count(len(report.Cases), "case"), plain.Count(report.Calls, "call"), report.Sentence())
	return t.err
}
