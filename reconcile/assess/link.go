// link: the link of a controller runs below what its own end can do, on the
// way to the root port, or something on that way can do less.
//
// A width below the maximum is a sure sign of a slot with fewer lanes or a bad
// contact. So is a port that is of an older generation, anywhere on the way up: what
// both can at most does not change. The speed of the moment is no sign: many
// controllers slow their link down when idle, and some switch lanes off (PCI Express
// Base Specification, link power management), so it is not reported. To see it under
// load, have something read from the device, and look at the same time: `lspci -vv`,
// the line LnkSta, or current_link_speed.
//
// Severity: note.
//
// Remedy: see the board's manual for a slot with more lanes or a newer generation.
// Moving a card is work for a powered-off, unplugged machine.
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
)

func checkLinks(c *Case) []Finding {
	var list []Finding
	for _, l := range c.loans() {
		f := l.Function
		if f != l.own[0] {
			continue // functions of one slot have one link
		}
		if f.Parent != nil { // a virtual function has the link of its parent
			f = c.Facts.Function(*f.Parent)
		}
		if f == nil || f.Link == nil {
			continue
		}
		limits := c.Facts.LimitsOf(f)
		if found, bad := lanesOf(l, f, limits.Lanes); bad {
			list = append(list, found)
		}
		if port := limits.Speed; port != nil {
			list = append(list, Finding{Severity: Note, At: l.at,
				Summary:  shorten(fmt.Sprintf("%s can do %s, its way %s", l.name, rate(f.Link.MaxSpeedMTps), rate(port.Link.MaxSpeedMTps))),
				Detail:   "A port on its way to the processors is of an older generation: " + port.Title() + "." + idle(f, port),
				Causes:   []Cause{causeOf(f, "max_link_speed", rate(f.Link.MaxSpeedMTps)), causeOf(port, "max_link_speed", rate(port.Link.MaxSpeedMTps))},
				Remedies: []string{"see the board's manual for a slot of a newer generation; moving a card is work for a powered-off, unplugged machine"},
			})
		}
	}
	return list
}

// lanesOf tells of a link that runs on fewer lanes than its end has, or that leads
// into one that has fewer.
func lanesOf(l loan, f, port *facts.Function) (Finding, bool) {
	narrow := f.Link.Width > 0 && f.Link.Width < f.Link.MaxWidth
	finding := Finding{Severity: Note, At: l.at,
		Causes:   []Cause{causeOf(f, "current_link_width", fmt.Sprint(f.Link.Width)), causeOf(f, "max_link_width", fmt.Sprint(f.Link.MaxWidth))},
		Remedies: []string{"see the board's manual for a slot with more lanes; moving a card is work for a powered-off, unplugged machine"}}
	if narrow {
		finding.Summary = shorten(fmt.Sprintf("%s runs on %d of %d lanes", l.name, f.Link.Width, f.Link.MaxWidth))
		finding.Detail = "The card can use more lanes than it gets."
	}
	if port != nil {
		finding.Detail = "The port above it has fewer lanes: " + port.Title() + "."
		finding.Causes = append(finding.Causes, causeOf(port, "max_link_width", fmt.Sprint(port.Link.MaxWidth)))
		if !narrow {
			finding.Summary = shorten(fmt.Sprintf("%s has %d lanes, its way %d", l.name, f.Link.MaxWidth, port.Link.MaxWidth))
			finding.Detail = "A port on its way to the processors has fewer lanes, which it shares with all that is below: " + port.Title() + "."
		}
	}
	return finding, narrow || port != nil
}

// rate says a speed as the kernel does.
func rate(mtps int) string { return fmt.Sprintf("%.3g GT/s", float64(mtps)/1000) }

// idle says what the speed of the moment is worth where it is below what both ends
// can do.
func idle(f, port *facts.Function) string {
	if f.Link.SpeedMTps == 0 || f.Link.SpeedMTps >= port.Link.MaxSpeedMTps {
		return ""
	}
	return fmt.Sprintf(" That it runs at %s now says nothing: an idle link slows down.", rate(f.Link.SpeedMTps))
}
