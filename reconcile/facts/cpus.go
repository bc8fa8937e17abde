package facts

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// CPUs is a set of the host's processors, by their numbers.
type CPUs map[int]bool

// maxCPU is the highest number that a set may name (Linux NR_CPUS is at most
// 8192 on x86).
const maxCPU = 8191

// ParseCPUs reads a set as the kernel and libvirt write it: numbers and ranges,
// and ^n, which takes one out again (libvirt domain format, <vcpu cpuset>).
// A set of none is an error.
func ParseCPUs(list string) (CPUs, error) {
	set := CPUs{}
	if len(list) > 4*maxCPU {
		return nil, fmt.Errorf("a set of CPUs of %d characters is too long", len(list))
	}
	for part := range strings.SplitSeq(list, ",") {
		part, without := strings.CutPrefix(strings.TrimSpace(part), "^")
		from, to, ranged := strings.Cut(part, "-")
		if !ranged {
			to = from
		}
		first, err1 := strconv.ParseUint(from, 10, 16)
		last, err2 := strconv.ParseUint(to, 10, 16)
		if err1 != nil || err2 != nil || first > last || last > maxCPU {
			return nil, fmt.Errorf("%q is not a set of CPUs like 0-3,6", list)
		}
		for n := int(first); n <= int(last); n++ {
			if without {
				delete(set, n)
			} else {
				set[n] = true
			}
		}
	}
	if len(set) == 0 {
		return nil, fmt.Errorf("%q is a set of no CPU", list)
	}
	return set, nil
}

// Within tells whether every CPU of c is in others.
func (c CPUs) Within(others CPUs) bool {
	for n := range c {
		if !others[n] {
			return false
		}
	}
	return true
}

// Meets tells whether a CPU is in both.
func (c CPUs) Meets(others CPUs) bool {
	for n := range c {
		if others[n] {
			return true
		}
	}
	return false
}

// Sorted lists the numbers.
func (c CPUs) Sorted() []int { return slices.Sorted(maps.Keys(c)) }

// String writes the set as libvirt prints it.
func (c CPUs) String() string {
	var parts []string
	for _, n := range c.Sorted() {
		if c[n-1] {
			continue
		}
		last := n
		for c[last+1] {
			last++
		}
		if last == n {
			parts = append(parts, strconv.Itoa(n))
		} else {
			parts = append(parts, fmt.Sprintf("%d-%d", n, last))
		}
	}
	return strings.Join(parts, ",")
}
