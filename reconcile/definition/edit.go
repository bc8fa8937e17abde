package definition

import (
	"fmt"
	"slices"
	"strconv"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// Edit makes a definition say what a layout states. Everything else stays byte
// for byte; where nothing differs, the text given is returned. Changes are
// short sentences for the operator, in the sequence they were made.
func Edit(xml string, w Wanted) (after string, changes []string, err error) {
	t, changes, err := apply(xml, w)
	switch {
	case err != nil:
		return "", nil, err
	case len(changes) == 0:
		return xml, nil, nil
	default:
		return t.String(), changes, nil
	}
}

// Become is Edit, and what Read says of its result.
func Become(xml string, w Wanted) (after facts.Definition, changes []string, err error) {
	t, changes, err := apply(xml, w)
	if err != nil {
		return facts.Definition{}, nil, err
	}
	text := xml
	if len(changes) > 0 {
		text = t.String()
	}
	after, err = t.read(text)
	return after, changes, err
}

func apply(xml string, w Wanted) (*tree, []string, error) {
	if err := w.check(); err != nil {
		return nil, nil, fmt.Errorf("edit definition: %w", err)
	}
	t, err := parse(xml)
	if err != nil {
		return nil, nil, err
	}
	if name := text(child(t.guest, "name")); name != w.Name {
		return nil, nil, fmt.Errorf("edit definition: it is of guest %q, not %q", name, w.Name)
	}
	if child(t.guest, "devices") == nil {
		return nil, nil, fmt.Errorf("edit definition of %s: it has no <devices>", w.Name)
	}
	e := &edit{guest: t.guest, wanted: w}
	for _, part := range []func(*edit) error{
		(*edit).memory, (*edit).hugePages, (*edit).cpus, (*edit).firmware,
		(*edit).leaves, (*edit).disks, (*edit).networks, (*edit).borrows,
	} {
		if err := part(e); err != nil {
			return nil, nil, fmt.Errorf("edit definition of %s: %w", w.Name, err)
		}
	}
	return t, e.changes, nil
}

type edit struct {
	guest   *etree.Element
	wanted  Wanted
	changes []string
}

func (e *edit) say(format string, values ...any) {
	e.changes = append(e.changes, fmt.Sprintf(format, values...))
}

func (e *edit) devices() *etree.Element { return child(e.guest, "devices") }

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
	if was != wanted {
		if at(e.guest, "cpu", "numa", "cell") != nil {
			return fmt.Errorf("its memory is spread over NUMA nodes of its own (<cpu><numa>); change it there by hand")
		}
		setBytes(most, wanted)
		e.say("memory %s instead of %s", size(wanted), size(was))
	}
	first := child(e.guest, "currentMemory")
	if first == nil {
		return nil // as much as at most
	}
	atStart, err := bytesOf(first)
	if err != nil || atStart == wanted {
		return err
	}
	setBytes(first, wanted)
	if was == wanted {
		e.say("memory %s from the start instead of %s", size(wanted), size(atStart))
	}
	return nil
}

func (e *edit) hugePages() error {
	backing := child(e.guest, "memoryBacking")
	pages := child(backing, "hugepages")
	switch {
	case e.wanted.HugePages == nil || *e.wanted.HugePages == (pages != nil):
	case *e.wanted.HugePages:
		if backing == nil {
			backing = element("memoryBacking")
			add(e.guest, backing, guestSequence)
		}
		add(backing, element("hugepages"), backingSequence)
		e.say("memory in huge pages")
	default:
		drop(pages)
		dropEmpty(backing)
		e.say("memory no longer in huge pages")
	}
	return nil
}

func (e *edit) cpus() error {
	if e.wanted.CPUs == 0 && e.wanted.CPUSet == "" {
		return nil
	}
	vcpu := child(e.guest, "vcpu")
	if vcpu == nil {
		return fmt.Errorf("it has no <vcpu>")
	}
	if e.wanted.CPUs != 0 {
		if err := e.cpuCount(vcpu); err != nil {
			return err
		}
	}
	if e.wanted.CPUSet != "" {
		return e.cpuSet(vcpu)
	}
	return nil
}

func (e *edit) cpuCount(vcpu *etree.Element) error {
	was, err := cpuCount(vcpu)
	if err != nil || was == e.wanted.CPUs {
		return err
	}
	if at(e.guest, "cpu", "numa", "cell") != nil {
		return fmt.Errorf("its processors are spread over NUMA nodes of its own (<cpu><numa>); change them there by hand")
	}
	e.say("%s instead of %d", count(e.wanted.CPUs, "processor"), was)
	vcpu.SetText(strconv.Itoa(e.wanted.CPUs))
	unset(vcpu, "current")
	if single := child(e.guest, "vcpus"); single != nil {
		drop(single) // lists each processor of the old number
		e.say("states of single processors removed")
	}
	return e.topology()
}

// topology keeps sockets, cores and threads in step with the number of
// processors, since libvirt refuses a definition where they disagree.
func (e *edit) topology() error {
	topology := at(e.guest, "cpu", "topology")
	if topology == nil {
		return nil
	}
	threads, err := strconv.Atoi(attr(topology, "threads"))
	if err != nil || threads < 1 || e.wanted.CPUs%threads != 0 {
		threads = 1
	}
	for _, a := range slices.Clone(topology.Attr) {
		topology.CreateAttr(a.Key, "1") // sockets, dies, clusters: one of each
	}
	topology.CreateAttr("cores", strconv.Itoa(e.wanted.CPUs/threads))
	topology.CreateAttr("threads", strconv.Itoa(threads))
	e.say("processors as one socket with %s of %s", count(e.wanted.CPUs/threads, "core"), count(threads, "thread"))
	return nil
}

func (e *edit) cpuSet(vcpu *etree.Element) error {
	wanted, err := parseCPUs(e.wanted.CPUSet)
	if err != nil {
		return err
	}
	was := "any"
	if list := attr(vcpu, "cpuset"); list != "" {
		set, err := parseCPUs(list)
		if err != nil {
			return err
		}
		was = set.String()
	}
	if was != wanted.String() {
		vcpu.CreateAttr("cpuset", wanted.String())
		vcpu.CreateAttr("placement", "static") // libvirt ignores the set where it places by itself
		e.say("runs on CPUs %s of the host instead of %s", wanted, was)
	}
	for _, pin := range children(child(e.guest, "cputune"), "vcpupin") {
		set, err := parseCPUs(attr(pin, "cpuset"))
		if err != nil {
			return err
		}
		// A pin goes before the guest's own set.
		if !set.within(wanted) {
			drop(pin)
			e.say("processor %s no longer pinned to CPUs %s", attr(pin, "vcpu"), set)
		}
	}
	dropEmpty(child(e.guest, "cputune"))
	return nil
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
