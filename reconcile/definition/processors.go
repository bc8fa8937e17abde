package definition

import (
	"fmt"
	"slices"
	"strconv"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"

	"github.com/beevik/etree"
)

func (e *edit) cpus() error {
	if e.wanted.CPUs == 0 {
		return nil
	}
	vcpu := child(e.guest, "vcpu")
	if vcpu == nil {
		return fmt.Errorf("it has no <vcpu>")
	}
	return e.cpuCount(vcpu)
}

func (e *edit) cpuCount(vcpu *etree.Element) error {
	was, err := cpuCount(vcpu)
	if err != nil || was == e.wanted.CPUs {
		return err
	}
	if at(e.guest, "cpu", "numa", "cell") != nil {
		return fmt.Errorf("its processors are spread over NUMA nodes of its own (<cpu><numa>); change them there by hand")
	}
	e.say("%s instead of %d", plain.Count(e.wanted.CPUs, "processor"), was)
	if attr(vcpu, "current") != "" {
		e.say("as many at most, instead of %s", text(vcpu))
		unset(vcpu, "current")
	}
	vcpu.SetText(strconv.Itoa(e.wanted.CPUs))
	if single := child(e.guest, "vcpus"); single != nil {
		e.lose("processors", single) // lists each of the old number
	}
	if err := e.tuneFewer(); err != nil {
		return err
	}
	return e.topology()
}

// tuneFewer takes what is said of processors that the guest has no longer out
// of <cputune>: libvirt refuses a schedule for one, and would give a pin to one
// that comes back.
func (e *edit) tuneFewer() error {
	tune := child(e.guest, "cputune")
	if tune == nil {
		return nil
	}
	for _, el := range tune.ChildElements() {
		list := attr(el, "vcpus")
		if el.Tag == "vcpupin" {
			list = attr(el, "vcpu")
		}
		if list == "" {
			continue
		}
		set, err := facts.ParseCPUs(list)
		if err != nil {
			return err
		}
		if err := e.tune(el, set); err != nil {
			return err
		}
	}
	dropEmpty(tune)
	return nil
}

// tune corrects what is said of some of the guest's processors.
func (e *edit) tune(el *etree.Element, of facts.CPUs) error {
	left := facts.CPUs{}
	for n := range of {
		if n < e.wanted.CPUs {
			left[n] = true
		}
	}
	switch {
	case len(left) == len(of):
	case el.Tag != "vcpupin" && el.Tag != "vcpusched":
		return fmt.Errorf("it tunes processors that it would have no longer (%s); change that by hand", spelled(el))
	case len(left) == 0:
		e.lose("processors", el)
	default:
		e.say("processors: %s for %s alone", spelled(el), left)
		el.CreateAttr("vcpus", left.String())
	}
	return nil
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
	was := spelled(topology)
	for _, a := range slices.Clone(topology.Attr) {
		topology.CreateAttr(a.Key, "1") // sockets, dies, clusters: one of each
	}
	topology.CreateAttr("cores", strconv.Itoa(e.wanted.CPUs/threads))
	topology.CreateAttr("threads", strconv.Itoa(threads))
	e.say("processors as one socket with %s of %s, instead of %s", plain.Count(e.wanted.CPUs/threads, "core"), plain.Count(threads, "thread"), was)
	return nil
}
