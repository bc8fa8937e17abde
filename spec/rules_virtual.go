package spec

import "fmt"

// virtualOfWhat: virtual functions are made by one function of the host, which is
// told apart by itself.
func virtualOfWhat(r *reader, l *overview) {
	for _, c := range l.Controllers {
		if c.Virtual == nil || c.Virtual.Of.Name == "" {
			continue
		}
		parent := l.Controller(c.Virtual.Of.Name)
		at, name := r.ranges[c.Virtual.Of.At], reference(kindController, c.Virtual.Of.Name)
		switch {
		case parent == nil:
		case parent.Virtual != nil:
			r.refuse(at, "a virtual function makes no others", fmt.Sprintf("%s is one itself.", name), "name the controller that makes both")
		case parent.PCI != nil && len(parent.PCI.Functions) > 0:
			r.refuse(at, "a whole slot makes no virtual functions", fmt.Sprintf("%s is all functions of its slot; one of them makes them.", name), "state that function in a controller of its own")
		case parent.VirtualFunctions != nil && c.Virtual.Number >= *parent.VirtualFunctions && !r.isBroken(c.Virtual.At, "number"):
			r.refuse(r.of(c.Virtual.At, "number"), "there is no virtual function of that number",
				fmt.Sprintf("%s has %d by virtual_functions, numbered from 0.", name, *parent.VirtualFunctions), "state a lower number, or more virtual_functions there")
		}
	}
}

// parentOfWhat: only a function of its own has a number of virtual ones.
func parentOfWhat(r *reader, l *overview) {
	for _, c := range l.Controllers {
		at := r.of(c.At, "virtual_functions")
		switch {
		case c.VirtualFunctions == nil:
		case c.Virtual != nil:
			r.refuse(at, "a virtual function makes no others", "", "state virtual_functions in the controller that makes it")
		case c.PCI != nil && len(c.PCI.Functions) > 0:
			r.refuse(at, "a whole slot makes no virtual functions", "One of its functions does.", "state that function in a controller of its own")
		}
	}
}

// parentIsBorrowed: what makes virtual functions stays with the host, since all of
// them go offline when it leaves (measured with libvirt 9.0.0 and Linux 6.1).
func parentIsBorrowed(r *reader, l *overview) {
	why := map[string]string{}
	for _, c := range l.Controllers {
		if c.VirtualFunctions != nil && *c.VirtualFunctions > 0 {
			why[c.Name] = "It has virtual_functions"
		}
	}
	for _, c := range l.Controllers {
		if c.Virtual != nil {
			why[c.Virtual.Of.Name] = fmt.Sprintf("The controller %q is a virtual function of it", c.Name)
		}
	}
	for _, g := range l.Guests {
		for _, ref := range g.Borrows {
			if because := why[ref.Name]; because != "" {
				r.refuse(r.ranges[ref.At], "guest borrows what makes virtual functions",
					because+"; all of them would go offline when it is lent.", "borrow a virtual function of it instead, or state none")
			}
		}
	}
}
