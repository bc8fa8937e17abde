package measure

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
)

// What is left free for others: a tenth of the filesystem, and no less than this.
const leastFree = 2 << 30

// openTarget opens what is to be measured, a file with its room, and tells how full
// the filesystem was without it; nil of a device.
func openTarget(a Asked) (*target, *int, error) {
	if a.Form == speed.Device {
		t, err := openDevice(a.Path)
		return t, nil, err
	}
	t, err := makeFile(a.Path)
	if err != nil {
		return nil, nil, err
	}
	free, all, err := t.room()
	if err == nil {
		err = enough(a, free, all)
	}
	if err == nil {
		err = t.allocate(a.Bytes)
	}
	if err != nil {
		_ = t.close() // the first error is told
		return nil, nil, err
	}
	return t, percent(all-free, all), nil
}

// enough refuses a file that would leave too little to others.
func enough(a Asked, free, all int64) error {
	keep := max(all/10, leastFree)
	if free-a.Bytes >= keep {
		return nil
	}
	next := "make room, or name another folder"
	if most := (free - keep) / Block; most >= LeastBytes/Block {
		next = fmt.Sprintf("ask for a file of at most %d MiB, or make room", most)
	}
	size := func(n int64) string { return facts.Size(uint64(max(n, 0))) }
	return Problem{fmt.Errorf("folder %s has %s free of %s: with a file of %s less than %s would stay free for others", a.Path, size(free), size(all), size(a.Bytes), size(keep)), next}
}
