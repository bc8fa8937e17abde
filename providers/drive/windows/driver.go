package windows

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"lendkeep/providers/formats/hive"
	"lendkeep/providers/formats/ntfs"
	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
)

// Word is a number of the registry that says when the NVMe driver starts: at boot
// when it is 0.
type Word struct {
	Name string // `Services\stornvme\Start`
	At   uint64 // byte of the disk at which its four bytes stand, the lowest first
	Now  uint32
}

// Words gives what has to be 0 so that the NVMe driver of the Windows on a
// partition of a disk starts at boot, whatever it is now. An error says why nobody
// may change it in place, or why that would not be enough.
func Words(r io.ReaderAt, c *facts.Content, partition int) ([]Word, error) {
	v := c.Volume(partition)
	if v == nil || v.Signature == nil || v.Signature.Kind != "ntfs" {
		return nil, errors.New("it is no NTFS")
	}
	part, start, size := partOf(r, c, partition)
	s, err := open(part, size, *v)
	if err != nil {
		return nil, err
	}
	if err := s.unsettled(); err != nil {
		return nil, err
	}
	seen, words := s.driver()
	if against := slices.Concat(seen.faults, seen.doubts); len(against) > 0 {
		return nil, errors.New(few(against))
	}
	for i := range words {
		words[i].At += start
	}
	return words, nil
}

// sight is what was seen of the driver.
type sight struct {
	seen   []string // as it stands there
	faults []string // speaks against a start, and is not to be mended
	doubts []string // what is not known
	wrong  bool     // a word is not 0
}

func (s sight) answer() facts.Answer {
	a := facts.Answer{Question: facts.AsksDriver, Says: facts.Present, Where: where(systemHive)}
	a.Seen = few(slices.Concat(s.seen, s.faults, s.doubts))
	switch {
	case len(s.faults) > 0:
		a.Says = facts.Absent
	case s.wrong:
		a.Says, a.Mendable = facts.Absent, len(s.doubts) == 0
	case len(s.doubts) > 0:
		a.Says = facts.Unknown
	}
	return a
}

// few joins texts, of which a hostile registry may give any number.
func few(texts []string) string {
	const most = 8
	if more := len(texts) - most; more > 0 {
		texts = append(slices.Clone(texts[:most]), fmt.Sprintf("and %d more", more))
	}
	return strings.Join(texts, "; ")
}

// doubt notes what could not be read, or a fault where it is only not there.
func (s *sight) doubt(err error) {
	if errors.Is(err, hive.ErrNotThere) || errors.Is(err, ntfs.ErrNotThere) {
		s.faults = append(s.faults, err.Error())
		return
	}
	s.doubts = append(s.doubts, err.Error())
}

// driver reads what says whether Windows' NVMe driver starts at boot.
func (s *system) driver() (sight, []Word) {
	var seen sight
	services, err := s.set.Find("Services")
	if err != nil {
		seen.doubt(err)
		return seen, nil
	}
	words, err := s.words(services, &seen)
	if err != nil {
		seen.doubt(err)
	}
	s.file(services, &seen)
	overrides(services, &seen)
	return seen, words
}

// words reads the numbers of the driver's own service.
func (s *system) words(services *hive.Key, seen *sight) ([]Word, error) {
	key, err := services.Find(service)
	if err != nil {
		return nil, err
	}
	start, err := value(key, "Start")
	if err != nil {
		return nil, fmt.Errorf(`%s\%w`, service, err)
	}
	over, err := overridden(key)
	if err != nil {
		return nil, fmt.Errorf(`%s\%w`, service, err)
	}
	n, _, err := start.Number()
	if err != nil {
		return nil, fmt.Errorf(`%s\%w`, service, err)
	}
	numbers, err := numbersOf(over)
	says, told := boots.StartsAtBoot(service, uint64(n), numbers)
	seen.seen, seen.wrong = append(seen.seen, told), says == facts.Absent
	if err != nil {
		return nil, err
	}
	words, err := s.word(nil, `Start`, start)
	for _, v := range over {
		if v.Name == "0" && err == nil {
			numbers[v.Name] = 0
			words, err = s.word(words, `StartOverride\0`, v)
		}
	}
	if says, _ := boots.StartsAtBoot(service, 0, numbers); says != facts.Present && err == nil {
		err = fmt.Errorf(`what the other numbers of %s\StartOverride mean is not known`, service)
	}
	return words, err
}

// numbersOf gives the values of a StartOverride by their names. With an error they are
// not all.
func numbersOf(over []hive.Value) (map[string]uint64, error) {
	numbers := map[string]uint64{}
	for _, v := range over {
		n, _, err := v.Number()
		if err != nil {
			return numbers, fmt.Errorf(`what %s\StartOverride\%.40q means is not known`, service, v.Name)
		}
		if _, twice := numbers[v.Name]; twice {
			return numbers, fmt.Errorf(`%s\StartOverride\%.40q is there twice`, service, v.Name)
		}
		numbers[v.Name] = uint64(n)
	}
	return numbers, nil
}

// word adds one of them, if its bytes can be told.
func (s *system) word(words []Word, name string, v hive.Value) ([]Word, error) {
	n, at, err := v.Number()
	if err != nil {
		return words, fmt.Errorf(`%s\%w`, service, err)
	}
	place, err := s.registry.file.Place(at, 4)
	if err != nil && n != 0 {
		return words, fmt.Errorf(`%s\%s cannot be changed in place: %w`, service, name, err)
	}
	if err != nil {
		return words, nil
	}
	return append(words, Word{`Services\` + service + `\` + name, place, n}), nil
}

// overridden gives the values of a service's StartOverride; none when it has none.
func overridden(of *hive.Key) ([]hive.Value, error) {
	key, err := of.Find("StartOverride")
	if errors.Is(err, hive.ErrNotThere) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return key.Values()
}

const service = boots.NVMeService

// file looks for the driver where its service says that it is.
func (s *system) file(services *hive.Key, seen *sight) {
	const usual = `system32\drivers\stornvme.sys`
	v, err := value(services, service, "ImagePath")
	if err == nil {
		var path string
		if path, err = v.Text(); err == nil {
			path = strings.TrimPrefix(strings.ToLower(path), `\systemroot\`)
			if path != usual {
				err = fmt.Errorf("its driver is to be %.80q", path)
			}
		}
	}
	if err != nil && !errors.Is(err, hive.ErrNotThere) { // without one it is the usual
		seen.doubt(err)
		return
	}
	file, err := s.volume.Find("Windows", "System32", "drivers", service+".sys")
	if err != nil {
		seen.doubt(err)
		return
	}
	switch size, err := file.SizeBytes(); {
	case err != nil:
		seen.doubt(err)
	case size == 0:
		seen.faults = append(seen.faults, "its driver file is empty")
	default:
		seen.seen = append(seen.seen, "its driver file is there")
	}
}
