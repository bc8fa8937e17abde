package sysfs

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"path"

	"lendkeep/reconcile/facts"
)

// readVirtual reads what a function has to do with virtual ones (SR-IOV): which has
// made it, or how many it has made and can make (Linux Documentation/ABI/testing/
// sysfs-bus-pci, Documentation/PCI/pci-iov-howto.rst). One that makes none has no
// such file.
func readVirtual(p place, f *facts.Function) {
	f.Parent = parent(p)
	f.Virtual = int(p.numberIfAny("virtual_functions", "sriov_numvfs", 10, 16)) // the registers have 16 bits
	f.VirtualMost = int(p.numberIfAny("most_virtual", "sriov_totalvfs", 10, 16))
	probed, there := p.textIfAny("virtual_probed", "sriov_drivers_autoprobe")
	if f.VirtualProbed = probed == "1"; there && f.Gap("virtual_probed") == nil && probed != "0" && probed != "1" {
		p.gap("virtual_probed", "sriov_drivers_autoprobe", unexpected(probed))
	}
}

// parent gives the function that has made a virtual one (Linux
// Documentation/PCI/pci-iov-howto.rst); nil for any other.
func parent(p place) *facts.Address {
	name := p.link("parent", "physfn")
	if name == "" {
		return nil
	}
	at, err := facts.ParseAddress(name)
	if err != nil {
		p.gap("parent", "physfn", err)
		return nil
	}
	return &at
}

// parents gives the functions that have made virtual ones which were read.
func (s *survey) parents() map[facts.Address]bool {
	list := map[facts.Address]bool{}
	for i := range s.out.Functions {
		if at := s.out.Functions[i].Parent; at != nil {
			list[*at] = true
		}
	}
	return list
}

// kin gives the functions that matter for the sake of others: parents of virtual ones
// that were read, and of parents that were read those with a number that is meant.
func (s *survey) kin() map[facts.Address]bool {
	list := s.parents()
	if s.about == nil {
		return list
	}
	numbers := map[int]bool{}
	for _, r := range s.about.Controllers {
		if r.IsVirtual() {
			numbers[r.Virtual.Number] = true
		}
	}
	for at, found := range s.functions {
		if !found.asked || s.function(at).Virtual == 0 {
			continue
		}
		for number := range numbers {
			if v, err := s.numbered(at, number); err == nil {
				list[v] = true
			}
		}
	}
	return list
}

// numberVirtuals notes which of its parent's each virtual function is: the parent has
// a link virtfnN to each (Linux drivers/pci/iov.c, pci_iov_sysfs_link).
func (s *survey) numberVirtuals() {
	numbers, why := map[facts.Address]int{}, map[facts.Address]error{}
	for at := range s.parents() {
		why[at] = s.numbers(at, numbers)
	}
	for i := range s.out.Functions {
		f := &s.out.Functions[i]
		if f.Parent == nil {
			continue
		}
		if number, known := numbers[f.Address]; known {
			f.VirtualNumber = &number
			continue
		}
		p := place{&s.reader, devicesDir + "/" + f.Parent.String(), &f.Gaps}
		p.gap("virtual_number", "", cmp.Or(why[*f.Parent], errors.New("no link virtfnN of its parent leads to it")))
	}
}

// numbers adds the numbers of the virtual functions of a parent.
func (s *survey) numbers(parent facts.Address, numbers map[facts.Address]int) error {
	f := s.function(parent)
	if f == nil {
		return errors.New("its parent is not there")
	}
	if gap := f.Gap("virtual_functions"); gap != nil {
		return fmt.Errorf("how many its parent has is not known: %s", gap.Reason)
	}
	for number := range f.Virtual {
		at, err := s.numbered(parent, number)
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return err
		default:
			numbers[at] = number
		}
	}
	return nil
}

// numbered gives where the virtual function of that number of a parent is.
func (s *survey) numbered(parent facts.Address, number int) (facts.Address, error) {
	to, err := s.fsys.ReadLink(fmt.Sprintf("%s/virtfn%d", s.functions[parent].dir, number))
	if err != nil {
		return facts.Address{}, err
	}
	return facts.ParseAddress(path.Base(to))
}
