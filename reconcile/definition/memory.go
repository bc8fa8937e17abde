package definition

import (
	"fmt"

	"github.com/beevik/etree"
)

// memory sets both what the guest has at most and what it has at its start: a
// guest that borrows has all its memory pinned, so that a balloon gains nothing.
func (e *edit) memory() error {
	if e.wanted.MemoryBytes == 0 {
		return nil
	}
	wanted := (e.wanted.MemoryBytes + 1023) / 1024 * 1024 // libvirt counts in KiB
	most := child(e.guest, "memory")
	if most == nil {
		return fmt.Errorf("it has no <memory>")
	}
	was, err := bytesOf(most)
	if err != nil {
		return err
	}
	first, atStart := child(e.guest, "currentMemory"), wanted // as much as at most, where nothing is said
	if first != nil {
		if atStart, err = bytesOf(first); err != nil {
			return err
		}
	}
	if was == wanted && atStart == wanted {
		return nil
	}
	if err := e.mayChangeMemory(wanted, was); err != nil {
		return err
	}
	if was != wanted {
		setBytes(most, wanted)
		e.say("memory %s instead of %s", size(wanted), size(was))
	}
	if atStart != wanted {
		setBytes(first, wanted)
		if atStart != was {
			e.say("memory %s from the start instead of %s", size(wanted), size(atStart))
		}
	}
	return nil
}

// mayChangeMemory refuses where the memory is a sum of parts, or has a bound
// below what is wanted (libvirt domain format, "Memory Allocation", "Memory
// Tuning", "Memory devices").
func (e *edit) mayChangeMemory(wanted, was uint64) error {
	if wanted != was && at(e.guest, "cpu", "numa", "cell") != nil {
		return fmt.Errorf("its memory is spread over NUMA nodes of its own (<cpu><numa>); change it there by hand")
	}
	if module := child(e.devices(), "memory"); module != nil {
		return fmt.Errorf("part of its %s is in memory devices (%s); change both by hand, so that they add up", size(was), spelled(module))
	}
	for _, bound := range []*etree.Element{child(e.guest, "maxMemory"), at(e.guest, "memtune", "hard_limit")} {
		if bound == nil {
			continue
		}
		limit, err := bytesOf(bound)
		if err != nil {
			return err
		}
		if limit < wanted {
			return fmt.Errorf("its <%s> of %s is less than %s of memory; raise that by hand", bound.Tag, size(limit), size(wanted))
		}
	}
	return nil
}
