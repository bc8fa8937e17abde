package sysfs

import (
	"bytes"
	"context"

	"lendkeep/providers/archive"
	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// nameFiles are the places of the PCI id database, the first that is there
// being taken.
var nameFiles = []string{"usr/share/misc/pci.ids", "usr/share/hwdata/pci.ids"}

// Name gives the functions of a survey their names, where people are to read it.
func (t Tree) Name(of *facts.Survey) {
	s := t.begin()
	s.out.Functions = of.Functions
	s.readNames(context.Background())
}

// readNames gives functions their names from the host's own PCI id database.
// Names are for people, nothing is decided by them: where the database is
// missing or cannot be read there are numbers only. The database is looked up by one pass over
// its text, since there is no use in building tables of 40,000 names for some
// dozens.
func (s *survey) readNames(context.Context) {
	for _, name := range nameFiles {
		real, err := files.Resolve(s.fsys, name)
		if err != nil {
			continue
		}
		content, err := s.read(real)
		if err != nil {
			continue
		}
		excerpt := setNames(content, s.out.Functions)
		if recording, ok := s.fsys.(*archive.Recording); ok {
			recording.Add(real, excerpt)
		}
		return
	}
}

// setNames fills the names in and gives the lines that it took them from. A
// vendor's line is "vvvv  name", under it "\tdddd  name" for each device; the
// classes, each "C cc  name", come last (head of the file itself).
func setNames(database []byte, functions []facts.Function) []byte {
	byVendor, byKind := map[string][]*facts.Function{}, map[string][]*facts.Function{}
	for i := range functions {
		f := &functions[i]
		vendor, kind := f.Vendor.String(), f.Vendor.String()+f.Device.String()
		byVendor[vendor] = append(byVendor[vendor], f)
		byKind[kind] = append(byKind[kind], f)
	}
	excerpt := []byte("# Excerpt of the PCI id database, https://pci-ids.ucw.cz/\n")
	vendor := "" // "" among classes and under a vendor that is not wanted
	for line := range bytes.Lines(database) {
		if line[0] == '\t' && (vendor == "" || bytes.HasPrefix(line, []byte("\t\t"))) { // most of them
			continue
		}
		id, name, found := bytes.Cut(bytes.TrimRight(line, "\r\n"), []byte("  "))
		taken := false
		switch {
		case !found || len(id) == 0 || id[0] == '#':
		case id[0] == 'C':
			vendor = ""
		case len(id) == 4 && id[0] != '\t':
			vendor = ""
			for _, f := range byVendor[string(id)] {
				vendor, taken = string(id), true
				f.VendorName = string(name)
			}
		case len(id) == 5 && id[0] == '\t' && vendor != "":
			for _, f := range byKind[vendor+string(id[1:])] {
				f.DeviceName, taken = string(name), true
			}
		}
		if taken {
			excerpt = append(append(excerpt, bytes.TrimRight(line, "\r\n")...), '\n')
		}
	}
	return excerpt
}
