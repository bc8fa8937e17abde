package definition

import (
	"fmt"
	"math/bits"
	"strconv"

	"github.com/beevik/etree"
)

// checkPages refuses a size that no page has, and memory that is not whole pages:
// QEMU does not start with such.
func (w Wanted) checkPages() error {
	switch {
	case w.PageBytes == 0:
	case w.HugePages == nil || !*w.HugePages:
		return fmt.Errorf("guest %s: a size of huge pages goes with huge pages alone", w.Name)
	case bits.OnesCount64(w.PageBytes) != 1 || w.PageBytes < 1024:
		return fmt.Errorf("guest %s: no huge page has %d bytes", w.Name, w.PageBytes)
	case w.MemoryBytes%w.PageBytes != 0:
		return fmt.Errorf("guest %s: %s of memory are not whole pages of %s", w.Name, size(w.MemoryBytes), size(w.PageBytes))
	}
	return nil
}

func (e *edit) hugePages() error {
	backing := child(e.guest, "memoryBacking")
	pages := child(backing, "hugepages")
	switch {
	case e.wanted.HugePages == nil:
	case !*e.wanted.HugePages && pages != nil:
		if bare(pages) {
			drop(pages)
		} else {
			e.lose("memory", pages)
		}
		dropEmpty(backing)
		e.say("memory no longer in huge pages")
	case *e.wanted.HugePages && pages == nil:
		if attr(child(backing, "source"), "type") == "anonymous" || attr(child(backing, "allocation"), "mode") == "ondemand" {
			return fmt.Errorf("its %s keeps it from huge pages; change that by hand", spelled(backing))
		}
		pages = element("hugepages")
		add(e.part("memoryBacking"), pages, backingSequence)
		if e.wanted.PageBytes == 0 {
			e.say("memory in huge pages")
			return nil
		}
		addAfter(pages, nil, page(e.wanted.PageBytes))
		e.say("memory in huge pages of %s", size(e.wanted.PageBytes))
	case *e.wanted.HugePages && e.wanted.PageBytes != 0:
		return e.pageSize(pages)
	}
	return nil
}

// pageSize has all pages be of one size. A <page> with a nodeset is of nodes of
// the guest's own, not of the host's (libvirt domain format, <hugepages>): which
// node of the host they come from says <numatune>.
func (e *edit) pageSize(pages *etree.Element) error {
	now := children(pages, "page")
	for _, p := range now {
		if attr(p, "nodeset") != "" {
			return fmt.Errorf("its %s is of NUMA nodes of its own; change that by hand", spelled(p))
		}
	}
	if len(now) == 1 {
		if was, err := pageBytes(now[0]); err == nil && was == e.wanted.PageBytes {
			return nil
		}
	}
	for _, p := range now {
		e.lose("memory", p)
	}
	addAfter(pages, nil, page(e.wanted.PageBytes))
	e.say("memory in huge pages of %s", size(e.wanted.PageBytes))
	return nil
}

// page writes a size as libvirt prints it.
func page(bytes uint64) *etree.Element {
	return element("page", "size", strconv.FormatUint(bytes/1024, 10), "unit", "KiB")
}

// pageBytes reads the size of a <page>: in KiB where nothing is said.
func pageBytes(el *etree.Element) (uint64, error) {
	number, err := strconv.ParseUint(attr(el, "size"), 10, 44)
	if err != nil {
		return 0, fmt.Errorf("%s says no size", spelled(el))
	}
	scale, err := scaleOf(attr(el, "unit"))
	if err != nil {
		return 0, err
	}
	high, low := bits.Mul64(number, scale)
	if high != 0 {
		return 0, fmt.Errorf("%s is too large", spelled(el))
	}
	return low, nil
}
