// link: the link of a controller runs below what its own end can do, on the
// way to the root port.
//
// A width below the maximum is a sure sign of a slot with fewer lanes or a bad
// contact. A lower speed is one only under load, since many controllers slow
// their link down when idle (PCI Express Base Specification, link power
// management), so it is not reported here.
//
// Severity: note.
//
// Remedy: see the board's manual for a slot with more lanes. Moving a card is
// work for a powered-off, unplugged machine.
package assess

import "fmt"

func checkLinks(c *Case) []Finding {
	var list []Finding
	for _, found := range c.borrowed() {
		f := found.Function
		if f == nil || f.Link == nil || f.Link.Width == 0 || f.Link.Width >= f.Link.MaxWidth {
			continue
		}
		detail := "The card can use more lanes than it gets."
		causes := []Cause{causeOf(f, "current_link_width", fmt.Sprint(f.Link.Width)), causeOf(f, "max_link_width", fmt.Sprint(f.Link.MaxWidth))}
		for _, port := range c.Facts.Upstream(f.Address) {
			if port.Link != nil && port.Link.MaxWidth > 0 && port.Link.MaxWidth < f.Link.MaxWidth {
				detail = "The port above it has fewer lanes: " + port.Title() + "."
				causes = append(causes, causeOf(port, "max_link_width", fmt.Sprint(port.Link.MaxWidth)))
				break
			}
		}
		list = append(list, Finding{Severity: Note, At: found.Controller.At,
			Summary:  shorten(fmt.Sprintf("%s runs on %d of %d lanes", found.Controller.Name, f.Link.Width, f.Link.MaxWidth)),
			Detail:   detail,
			Causes:   causes,
			Remedies: []string{"see the board's manual for a slot with more lanes; moving a card is work for a powered-off, unplugged machine"},
		})
	}
	return list
}
