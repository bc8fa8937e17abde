package definition

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// Near is where on the host a guest runs.
type Near struct {
	Node int    `json:"node"` // NUMA node that all its memory comes from
	CPUs []int  `json:"cpus"` // of the host, one for each of the guest's processors, in their sequence
	Rest string `json:"rest"` // set of CPUs for everything of it but its processors: QEMU itself, and its IO threads
}

// checkNear refuses what is no map: every processor has a CPU of its own.
func (w Wanted) checkNear() error {
	if w.Near == nil {
		return nil
	}
	seen := map[int]bool{}
	for _, cpu := range w.Near.CPUs {
		if seen[cpu] || cpu < 0 {
			return fmt.Errorf("guest %s: CPU %d of the host cannot be given to two processors, nor one below 0", w.Name, cpu)
		}
		seen[cpu] = true
	}
	if len(seen) != w.CPUs || len(seen) == 0 || w.Near.Node < 0 {
		return fmt.Errorf("guest %s: %d CPUs of node %d of the host are not one for each of its %d processors", w.Name, len(seen), w.Near.Node, w.CPUs)
	}
	if _, err := facts.ParseCPUs(w.Near.Rest); err != nil {
		return fmt.Errorf("guest %s: %w", w.Name, err)
	}
	return nil
}

// near pins every processor to a CPU of its own, and the rest of the guest to
// others; its memory comes from the node alone. What the guest says of its own
// nodes would contradict that.
func (e *edit) near() error {
	if e.wanted.Near == nil {
		return nil
	}
	if own := at(e.guest, "cpu", "numa", "cell"); own != nil {
		return fmt.Errorf("it has NUMA nodes of its own (%s); pin those by hand, or take them out by hand", spelled(own))
	}
	if own := at(e.guest, "numatune", "memnode"); own != nil {
		return fmt.Errorf("its memory is bound node by node (%s); change that by hand", spelled(own))
	}
	for _, part := range []func() error{e.pinProcessors, e.pinEmulator, e.pinThreads} {
		if err := part(); err != nil {
			return err
		}
	}
	e.bindMemory()
	return nil
}

// part gives a child of the guest that holds others, made where it is not there.
func (e *edit) part(name string) *etree.Element {
	el := child(e.guest, name)
	if el == nil {
		el = element(name)
		add(e.guest, el, guestSequence)
	}
	return el
}

func (e *edit) pinProcessors() error {
	pins, err := e.pinsOf("vcpupin", "vcpu")
	if err != nil {
		return err
	}
	var was, is []string
	changed, had := false, false
	var last *etree.Element
	for n, cpu := range e.wanted.Near.CPUs {
		now, before := strconv.Itoa(cpu), "any"
		pin := pins[n]
		if pin != nil {
			before, had = attr(pin, "cpuset"), true
		}
		if changed = changed || before != now; before != now {
			pin = e.pin(pin, last, "vcpupin", "vcpu", n, now)
		}
		was, is, last = append(was, before), append(is, now), pin
	}
	switch {
	case changed && had:
		e.say("processors on CPUs %s of the host, one by one, instead of %s", strings.Join(is, ", "), strings.Join(was, ", "))
	case changed:
		e.say("processors on CPUs %s of the host, one by one", strings.Join(is, ", "))
	}
	return nil
}

// pinsOf gives the pins of a kind by the number that each is of. libvirt refuses
// two for one.
func (e *edit) pinsOf(tag, key string) (map[int]*etree.Element, error) {
	pins := map[int]*etree.Element{}
	for _, pin := range children(child(e.guest, "cputune"), tag) {
		n, err := strconv.ParseUint(attr(pin, key), 10, 16)
		if err != nil || pins[int(n)] != nil {
			return nil, fmt.Errorf("%s is no pin of one of its own; mend that by hand", spelled(pin))
		}
		pins[int(n)] = pin
	}
	return pins, nil
}

// pin sets one pin, made where it is not there: behind that of the number before.
func (e *edit) pin(pin, before *etree.Element, tag, key string, n int, set string) *etree.Element {
	if pin != nil {
		pin.CreateAttr("cpuset", set)
		return pin
	}
	tune := e.part("cputune")
	pin = element(tag, key, strconv.Itoa(n), "cpuset", set)
	if before == nil {
		before = lastBefore(tune, tag, tuneSequence)
	}
	addAfter(tune, before, pin)
	return pin
}

func (e *edit) pinEmulator() error {
	rest := e.rest()
	pins := children(child(e.guest, "cputune"), "emulatorpin")
	if len(pins) > 1 {
		return fmt.Errorf("it pins its emulator twice (%s); mend that by hand", spelled(pins[1]))
	}
	if len(pins) == 0 {
		add(e.part("cputune"), element("emulatorpin", "cpuset", rest), tuneSequence)
		e.say("its emulator on CPUs %s of the host", rest)
		return nil
	}
	if was := attr(pins[0], "cpuset"); !sameCPUs(was, rest) {
		pins[0].CreateAttr("cpuset", rest)
		e.say("its emulator on CPUs %s of the host instead of %s", rest, was)
	}
	return nil
}

func (e *edit) pinThreads() error {
	threads, err := ioThreads(e.guest)
	if err != nil {
		return err
	}
	pins, err := e.pinsOf("iothreadpin", "iothread")
	if err != nil {
		return err
	}
	rest := e.rest()
	var last *etree.Element
	for _, n := range threads {
		pin := pins[n]
		switch was := attr(pin, "cpuset"); {
		case pin == nil:
			e.say("its IO thread %d on CPUs %s of the host", n, rest)
			pin = e.pin(nil, last, "iothreadpin", "iothread", n, rest)
		case !sameCPUs(was, rest):
			e.say("its IO thread %d on CPUs %s of the host instead of %s", n, rest, was)
			pin = e.pin(pin, last, "iothreadpin", "iothread", n, rest)
		}
		last = pin
	}
	return nil
}

// rest gives the set for what is no processor as libvirt prints it.
func (e *edit) rest() string {
	set, _ := facts.ParseCPUs(e.wanted.Near.Rest) // checkNear has said so
	return set.String()
}

func sameCPUs(a, b string) bool {
	one, err1 := facts.ParseCPUs(a)
	other, err2 := facts.ParseCPUs(b)
	return err1 == nil && err2 == nil && one.String() == other.String()
}

// maxThreads bounds the IO threads that are pinned; QEMU guests have a few.
const maxThreads = 4096

// ioThreads gives the numbers of a guest's IO threads: those that it names, then
// the lowest that are free (libvirt src/conf/domain_conf.c,
// virDomainDefPostParse, "iothreadids").
func ioThreads(guest *etree.Element) ([]int, error) {
	count := 0
	if el := child(guest, "iothreads"); el != nil {
		n, err := strconv.ParseUint(text(el), 10, 16)
		if err != nil || n > maxThreads {
			return nil, fmt.Errorf("%s is not a number of IO threads up to %d; mend that by hand", spelled(el), maxThreads)
		}
		count = int(n)
	}
	var list []int
	for _, el := range children(child(guest, "iothreadids"), "iothread") {
		n, err := strconv.ParseUint(attr(el, "id"), 10, 16)
		if err != nil || n == 0 || slices.Contains(list, int(n)) {
			return nil, fmt.Errorf("%s names no IO thread of its own; mend that by hand", spelled(el))
		}
		list = append(list, int(n))
	}
	for n := 1; len(list) < count; n++ {
		if !slices.Contains(list, n) {
			list = append(list, n)
		}
	}
	slices.Sort(list)
	return list, nil
}

// bindMemory has all memory come from the node: strict, so that a guest whose
// memory is not there does not start, and is not slow without a word (libvirt
// domain format, <numatune>).
func (e *edit) bindMemory() {
	node := strconv.Itoa(e.wanted.Near.Node)
	memory := at(e.guest, "numatune", "memory")
	if memory == nil {
		add(e.part("numatune"), element("memory", "mode", "strict", "nodeset", node), []string{"memory", "memnode"})
		e.say("all its memory from node %s of the host", node)
		return
	}
	if attr(memory, "mode") == "strict" && sameCPUs(attr(memory, "nodeset"), node) && attr(memory, "placement") != "auto" {
		return
	}
	e.say("all its memory from node %s of the host, instead of %s", node, spelled(memory))
	memory.CreateAttr("mode", "strict")
	memory.CreateAttr("nodeset", node)
	unset(memory, "placement")
}
