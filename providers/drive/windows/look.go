// Package windows looks into an installed Windows from the bytes of its partition
// while nothing runs it: what its registry says of the NVMe driver, of fast startup
// and of restarts that wait. It writes nothing, and tells which bytes would have to
// be others (Words). Start at Look.
package windows

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"lendkeep/providers/formats/hive"
	"lendkeep/providers/formats/ntfs"
	"lendkeep/reconcile/facts"
)

const systemHive, softwareHive = "SYSTEM", "SOFTWARE"

// What is told of the volume itself, whatever its files say.
const bootSector, sleepFile = "its boot sector", `\hiberfil.sys`

// where gives the path of a hive, for people.
func where(hive string) string { return `\Windows\System32\config\` + hive }

// system is an installed Windows that is read.
type system struct {
	volume    *ntfs.Volume
	condition facts.Volume
	registry  registry
	set       *hive.Key // the control set of the next start
}

// registry is one hive, and its file.
type registry struct {
	*hive.Hive
	file      *ntfs.File
	unsettled error // why Windows may read something else
}

// look looks into a partition, of which v is known already. Nil: no Windows is
// installed there.
func look(r io.ReaderAt, sizeBytes uint64, v facts.Volume) *facts.Installed {
	switch {
	case v.Signature == nil:
		return nil
	case v.Signature.Kind == "BitLocker":
		return locked(r, v)
	case v.Signature.Kind != "ntfs":
		return nil
	}
	found := facts.Installed{Partition: v.Number}
	s, err := open(r, sizeBytes, v)
	switch {
	case s == nil && errors.Is(err, ntfs.ErrNotThere):
		return nil
	case s == nil:
		found.Gap = fmt.Sprintf("whether partition %d holds a Windows could not be read: %v", v.Number, err)
		return &found
	}
	found.Kind = "windows"
	found.Answers = []facts.Answer{s.encryption()}
	if err != nil {
		found.Gap = err.Error()
		return &found
	}
	driver, _ := s.driver()
	software, err := s.open(softwareHive)
	found.Name = nameOf(software)
	found.Answers = append([]facts.Answer{driver.answer(), s.encryption(), s.fastStartup(software)}, s.pending(software, err))
	unsettled := s.unsettled()
	for i := range found.Answers {
		found.Answers[i] = settled(found.Answers[i], unsettled)
	}
	return &found
}

// open opens the registry of a Windows. An error with a system says that there is
// one of which no more can be read.
func open(r io.ReaderAt, sizeBytes uint64, v facts.Volume) (*system, error) {
	volume, err := ntfs.Open(r, sizeBytes)
	if err != nil {
		return nil, err
	}
	s := &system{volume: volume, condition: v}
	if _, err := volume.Find("Windows", "System32", "config", systemHive); err != nil {
		return nil, err
	}
	if s.registry, err = s.open(systemHive); err != nil {
		return s, err
	}
	if s.set, err = s.controlSet(); err != nil {
		return s, fmt.Errorf("%s: %w", where(systemHive), err)
	}
	return s, nil
}

// open opens a hive, and looks into its logs.
func (s *system) open(name string) (registry, error) {
	file, err := s.volume.Find("Windows", "System32", "config", name)
	if err != nil {
		return registry{}, err
	}
	size, err := file.SizeBytes()
	if err != nil {
		return registry{}, fmt.Errorf("%s: %w", where(name), err)
	}
	h, err := hive.Open(file, size)
	if err != nil {
		return registry{}, fmt.Errorf("%s: %w", where(name), err)
	}
	r := registry{Hive: h, file: file, unsettled: h.Clean()}
	for _, end := range []string{".LOG", ".LOG1", ".LOG2"} {
		if r.unsettled == nil {
			r.unsettled = s.log(h, name+end)
		}
	}
	if r.unsettled != nil {
		r.unsettled = fmt.Errorf("%s: %w", where(name), r.unsettled)
	}
	return r, nil
}

// log says why a log of a hive speaks against the hive.
func (s *system) log(h *hive.Hive, name string) error {
	file, err := s.volume.Find("Windows", "System32", "config", name)
	if errors.Is(err, ntfs.ErrNotThere) {
		return nil
	}
	if err != nil {
		return err
	}
	size, err := file.SizeBytes()
	if err != nil {
		return err
	}
	newer, err := h.Newer(file, size)
	if err == nil && newer {
		err = errors.New("it holds what was written after the hive was")
	}
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// controlSet gives the control set that Windows will start with: the one that was
// in use, where both say the same.
func (s *system) controlSet() (*hive.Key, error) {
	var set [2]uint32
	for i, name := range []string{"Current", "Default"} {
		n, err := number(s.registry, "Select", name)
		if err != nil {
			return nil, err
		}
		set[i] = n
	}
	if set[0] != set[1] || set[0] == 0 || set[0] > 999 {
		return nil, fmt.Errorf("its control set is %d, the next one %d", set[0], set[1])
	}
	return s.registry.Find(fmt.Sprintf("ControlSet%03d", set[0]))
}

// finder is a hive or a key: what is found below it.
type finder interface {
	Find(...string) (*hive.Key, error)
}

// number reads a number; the value's name comes last.
func number(from finder, path ...string) (uint32, error) {
	v, err := value(from, path...)
	if err != nil {
		return 0, err
	}
	n, _, err := v.Number()
	return n, err
}

func value(from finder, path ...string) (hive.Value, error) {
	last := len(path) - 1
	key, err := from.Find(path[:last]...)
	if err != nil {
		return hive.Value{}, err
	}
	v, err := key.Value(path[last])
	if err != nil && last > 0 {
		err = fmt.Errorf(`%s\%w`, strings.Join(path[:last], `\`), err)
	}
	return v, err
}

// unsettled says why Windows may find something else than what was read.
func (s *system) unsettled() error {
	switch {
	case s.condition.Condition != facts.Clean:
		return fmt.Errorf("its volume is %s: %s", s.condition.Condition, s.condition.Why)
	case s.condition.Gap != "":
		return fmt.Errorf("its volume: %s", s.condition.Gap)
	}
	return s.registry.unsettled
}

// settled makes an answer not known for that reason. What the volume itself shows
// is no less true for it.
func settled(a facts.Answer, unsettled error) facts.Answer {
	if unsettled == nil || a.Says == facts.Unknown || a.Where == bootSector || a.Where == sleepFile {
		return a
	}
	a.Says, a.Mendable = facts.Unknown, false
	a.Seen = fmt.Sprintf("%s; but %v", a.Seen, unsettled)
	return a
}
