package twin

import (
	"fmt"
	"reflect"

	"lendkeep/reconcile/facts"
)

// tell lists what the machine does not have: every fact that is never copied, where
// the survey has it, and of those that are copied what could not be.
func (c *copying) tell() {
	c.walk(reflect.ValueOf(*c.survey), "")
	c.near()
	c.wired()
}

// walk goes through a structure by its fields' fates; of names what it belongs to.
func (c *copying) walk(v reflect.Value, of string) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			c.walk(v.Elem(), of)
		}
	case reflect.Slice:
		for i := range v.Len() {
			c.walk(v.Index(i), of)
		}
	case reflect.Struct:
		if name := nameOf(v.Interface()); name != "" {
			of = name
		}
		for i := range v.NumField() {
			c.field(v, i, of)
		}
	}
}

func (c *copying) field(v reflect.Value, i int, of string) {
	name := v.Type().Name() + "." + v.Type().Field(i).Name
	switch f := fates[name]; {
	case f.kind == within:
		c.walk(v.Field(i), of)
	case v.Field(i).IsZero():
	case f.kind == listed:
		c.unlike.add(name, of, f.twin, f.hides)
	case f.kind == undecided:
		c.unlike.add(name, of, "nothing: nobody has said how to copy it", "not known")
	}
}

// nameOf says what a fact is of: the thing that the structure describes; empty: the
// one around it.
func nameOf(of any) string {
	switch of := of.(type) {
	case facts.Function:
		return of.Address.String()
	case facts.Block:
		return of.Name
	case facts.Node:
		return fmt.Sprintf("node %d", of.Number)
	case facts.Mount:
		return of.Path
	case facts.Swap:
		return of.Path
	default:
		return ""
	}
}

// wired tells of functions that are not in the machine, and of those that are wired,
// or of a kind, other than on the host.
func (c *copying) wired() {
	in := map[facts.Address]bool{}
	c.m.Each(func(p *Part) {
		f := c.surveyed(p)
		if f == nil {
			c.unlike.add("added", "", "a part that the host lacks: "+string(p.Kind), "nothing that the host does; it takes an address")
			return
		}
		in[f.Address] = true
		c.alike(p, f)
	})
	for i := range c.survey.Functions {
		f := &c.survey.Functions[i]
		switch {
		case in[f.Address]:
		case f.Parent != nil:
			c.unlike.add("function", f.Address.String(), "nothing: it is a virtual one", "all that concerns it")
		case f.HeaderType != 0:
			c.unlike.add("function", f.Address.String(), "another port, or none", "what else is reset with what hangs on it")
		default:
			c.unlike.add("function", f.Address.String(), "nothing: there is no room left for it", "all that concerns it")
		}
	}
	for _, p := range c.m.Places {
		if p.From != p.To {
			c.unlike.add("address", p.From.String(), p.To.String(), "what names it by its address")
		}
	}
}

// alike compares a function with what the machine has of it.
func (c *copying) alike(p *Part, f *facts.Function) {
	at := f.Address.String()
	like := models[p.Kind]
	if f.Class != like.class {
		c.unlike.add("class", at, "a part that is like it at most in use: "+string(p.Kind), "what the host does with things of its kind")
	}
	if p.Held == ByDriver && f.Driver != like.driver {
		c.unlike.add("driver", at, "driver "+like.driver, "what only that driver does")
	}
	alone := f.Group != nil && len(c.ix.Group(*f.Group)) == 1
	if f.Group == nil == c.m.IOMMU || p.Kind == HostBridge && !alone {
		c.unlike.add("group", at, "another group, or none", "whether it may be lent")
	}
}
