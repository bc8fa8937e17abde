package sysfs

import (
	"bytes"
	"context"
	"errors"
	"io/fs"

	"lendkeep/reconcile/facts"
)

// nameFiles are the places of the PCI id database, the first that is there
// being taken.
var nameFiles = []string{"usr/share/misc/pci.ids", "usr/share/hwdata/pci.ids"}

// readNames gives functions their names from the host's own PCI id database. A
// host without one has numbers only. The database is looked up by one pass over
// its text, since there is no use in building tables of 40,000 names for some
// dozens.
func (s *survey) readNames(context.Context) {
	for _, name := range nameFiles {
		real, err := resolve(s.fsys, name)
		if err != nil {
			continue
		}
		content, err := s.read(real)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			area := s.whole(real)
			area.gap("functions.vendor_name", "", err)
			return
		}
		excerpt := setNames(content, s.out.Functions)
		if recording, ok := s.fsys.(*Recording); ok {
			recording.Add(real, excerpt)
		}
		return
	}
}

// setNames fills the names in and gives the lines that it took them from. A
// vendor's line is "vvvv  name", under it "\tdddd  name" for each device; the
// classes, each "C cc  name", come last (head of the file itself).
func setNames(database []byte, functions []facts.Function) []byte {
	wanted := map[string][]*facts.Function{}
	for i := range functions {
		vendor := functions[i].Vendor.String()
		wanted[vendor] = append(wanted[vendor], &functions[i])
	}
	excerpt := []byte("# Excerpt of the PCI id database, https://pci-ids.ucw.cz/\n")
	var ofVendor []*facts.Function
	for line := range bytes.Lines(database) {
		id, name, found := bytes.Cut(bytes.TrimRight(line, "\r\n"), []byte("  "))
		taken := false
		switch {
		case !found || len(id) == 0 || id[0] == '#':
		case len(id) == 4 && id[0] != '\t' && id[0] != 'C':
			ofVendor = wanted[string(id)]
			for _, f := range ofVendor {
				f.VendorName, taken = string(name), true
			}
		case id[0] == 'C':
			ofVendor = nil
		case len(id) == 5 && id[0] == '\t':
			for _, f := range ofVendor {
				if f.Device.String() == string(id[1:]) {
					f.DeviceName, taken = string(name), true
				}
			}
		}
		if taken {
			excerpt = append(append(excerpt, bytes.TrimRight(line, "\r\n")...), '\n')
		}
	}
	return excerpt
}
