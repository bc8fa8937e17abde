package sysfs

import (
	"errors"
	"path"
	"strings"

	"lendkeep/reconcile/facts"
)

// slots gives the physical slot of each address without its function, where slots
// matter. An address may also lack the device number; then the slot is a whole bus.
func (s *survey) slots() map[string]string {
	const dir = "sys/bus/pci/slots"
	slots := map[string]string{}
	if s.about != nil && !s.about.Slots {
		return slots
	}
	area := s.whole(dir)
	for _, name := range area.names("functions.slot") {
		address := area.text("functions.slot", name+"/address")
		if strings.Count(address, ":") == 1 {
			address += ":00"
		}
		slots[address] = name
	}
	return slots
}

// checkGroups holds the groups' own lists against the functions' links: a
// member that is not seen could keep its group from being lent.
func (s *survey) checkGroups() {
	const dir = "sys/kernel/iommu_groups"
	area := s.whole(dir)
	matters := s.groupsThatMatter()
	for _, number := range area.names("functions") {
		if !matters(number) {
			continue
		}
		members, err := s.list(path.Join(dir, number, "devices"))
		if err != nil {
			area.gap("functions", number+"/devices", err)
		}
		for _, member := range members {
			s.checkMember(area, number, member)
		}
	}
}

func (s *survey) checkMember(area place, number, member string) {
	at, err := facts.ParseAddress(member)
	if err != nil {
		return // a device of another bus
	}
	where := path.Join(number, "devices", member)
	f := s.function(at)
	switch {
	case f == nil:
		area.gap("functions", where, errors.New("this function is not below /"+devicesDir))
	case f.Group == nil && f.Gap("group") == nil:
		area.gaps = &f.Gaps
		area.gap("group", where, errors.New("it is listed here but has no link to the group"))
	}
}
