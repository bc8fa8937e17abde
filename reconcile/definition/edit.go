package definition

import (
	"fmt"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// Edit makes a definition say what a layout states. Everything else stays byte
// for byte; where nothing differs, the text given is returned. Changes are
// short sentences for the operator, in the sequence they were made.
func Edit(xml string, w Wanted) (after string, changes []string, err error) {
	t, changes, err := apply(xml, w)
	switch {
	case err != nil:
		return "", nil, err
	case len(changes) == 0:
		return xml, nil, nil
	default:
		return t.String(), changes, nil
	}
}

// Become is Edit, and what Read says of its result.
func Become(xml string, w Wanted) (after facts.Definition, changes []string, err error) {
	t, changes, err := apply(xml, w)
	if err != nil {
		return facts.Definition{}, nil, err
	}
	text := xml
	if len(changes) > 0 {
		text = t.String()
	}
	after, err = t.read(text)
	return after, changes, err
}

func apply(xml string, w Wanted) (*tree, []string, error) {
	if err := w.check(); err != nil {
		return nil, nil, fmt.Errorf("edit definition: %w", err)
	}
	t, err := parse(xml)
	if err != nil {
		return nil, nil, err
	}
	if name := text(child(t.guest, "name")); name != w.Name {
		return nil, nil, fmt.Errorf("edit definition: it is of guest %q, not %q", name, w.Name)
	}
	if child(t.guest, "devices") == nil {
		return nil, nil, fmt.Errorf("edit definition of %s: it has no <devices>", w.Name)
	}
	e := &edit{guest: t.guest, wanted: w}
	for _, part := range []func(*edit) error{
		(*edit).memory, (*edit).hugePages, (*edit).cpus, (*edit).near, (*edit).firmware,
		(*edit).leaves, (*edit).disks, (*edit).networks, (*edit).borrows,
	} {
		if err := part(e); err != nil {
			return nil, nil, fmt.Errorf("edit definition of %s: %w", w.Name, err)
		}
	}
	return t, e.changes, nil
}

type edit struct {
	guest   *etree.Element
	wanted  Wanted
	changes []string
}

func (e *edit) say(format string, values ...any) {
	e.changes = append(e.changes, fmt.Sprintf(format, values...))
}

func (e *edit) devices() *etree.Element { return child(e.guest, "devices") }
