package definition

import (
	"fmt"
	"reflect"
	"slices"

	"lendkeep/reconcile/facts"
)

// Survey reads a survey file as facts.Decode does, and holds what it says of
// each guest against the guest's own definition: a disk or a lent function that
// was left out, or that an older lendkeep did not see, would count as not there.
func Survey(content []byte) (facts.Survey, error) {
	survey, err := facts.Decode(content)
	if err != nil {
		return survey, err
	}
	for i := range survey.Libvirt.Guests {
		g := &survey.Libvirt.Guests[i]
		for _, d := range g.Definitions() {
			if err := agrees(*d); err != nil {
				return facts.Survey{}, fmt.Errorf("read survey: guest %s: %w; take the survey again", g.Name, err)
			}
		}
	}
	return survey, nil
}

// agrees tells what of a definition's facts is not what its text says.
func agrees(d facts.Definition) error {
	read, err := Read(d.XML)
	if err != nil {
		return err
	}
	now, was := reflect.ValueOf(unlocated(read)), reflect.ValueOf(unlocated(d))
	for i := range now.NumField() {
		if a, b := now.Field(i), was.Field(i); !(a.IsZero() && b.IsZero()) && !reflect.DeepEqual(a.Interface(), b.Interface()) {
			return fmt.Errorf("its %s are not those of its definition", now.Type().Field(i).Name)
		}
	}
	return nil
}

// unlocated leaves out where volumes are: their pools say so, not the
// definition.
func unlocated(d facts.Definition) facts.Definition {
	d.Disks = slices.Clone(d.Disks)
	for i := range d.Disks {
		if d.Disks[i].Kind == "volume" {
			d.Disks[i].Source = ""
		}
	}
	return d
}
