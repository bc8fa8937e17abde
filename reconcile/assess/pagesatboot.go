// pages-at-boot: a guest that starts with the host has its memory in huge pages that
// an order reserves, and the kernel's command line does not reserve them.
//
// What an order writes to the kernel is forgotten when the host restarts. libvirt then
// starts the guest before anybody has reserved its pages again, and the guest fails for
// want of memory (Linux Documentation/admin-guide/mm/hugetlbpage.rst). Only the command
// line is read here: a unit or a sysctl of the host's may reserve them too.
//
// Severity: caution.
//
// Remedy: have the pages reserved when the host starts, or do not have the guest start
// with it, and carry an order out after a restart.
package assess

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

func checkPagesAtBoot(c *Case) []Finding {
	var list []Finding
	for _, r := range c.Reserves() {
		names := c.atBoot(r)
		if len(names) == 0 || r.After == 0 || c.bootPages(r.Node, r.SizeBytes) >= r.After {
			continue
		}
		kilobytes := r.SizeBytes >> 10
		f := Finding{Severity: Caution, At: c.Layout.Host.At,
			Summary: shorten(fmt.Sprintf("no huge pages for guest %s after a restart", names[0])),
			Detail: fmt.Sprintf("Of %s on node %d that %s needs, the kernel's command line reserves %d. What an order reserves is gone after a restart of the host, and libvirt starts the guest all the same. Other programs that may reserve pages were not looked for.",
				plain.Count(r.After, "page")+" of "+facts.Size(r.SizeBytes), r.Node, strings.Join(names, ", "), c.bootPages(r.Node, r.SizeBytes)),
			Causes: []Cause{{"/proc/cmdline", cmp.Or(hugePagesOn(c.Facts.Survey.Machine.CommandLine), none)}},
			Remedies: []string{
				fmt.Sprintf("reserve them on the kernel's command line: hugepagesz=%dK hugepages=%s", kilobytes, c.onNode(r)),
				fmt.Sprintf("have a unit of systemd that comes before libvirt's write %d into /sys/devices/system/node/node%d/hugepages/hugepages-%dkB/nr_hugepages", r.After, r.Node, kilobytes)},
		}
		for _, name := range names {
			f.Causes = append(f.Causes, Cause{"libvirt", "guest " + name + " starts with the host"})
			f.Remedies = append(f.Remedies, "do not have it start with the host: virsh autostart --disable "+plain.Quoted(name)+", and carry an order out after a restart before you start it")
		}
		list = append(list, f)
	}
	return list
}

// onNode is a reserve as the kernel's command line states one; of several nodes each
// by itself, which Linux knows since 5.16 (Documentation/admin-guide/
// kernel-parameters.txt).
func (c *Case) onNode(r Reserve) string {
	if len(c.Facts.Survey.Topology.Nodes) > 1 {
		return fmt.Sprintf("%d:%d", r.Node, r.After)
	}
	return fmt.Sprint(r.After)
}

// atBoot names the guests that start with the host and have pages of a reserve.
func (c *Case) atBoot(r Reserve) []string {
	var names []string
	for i := range c.Facts.Survey.Libvirt.Guests {
		g := &c.Facts.Survey.Libvirt.Guests[i]
		if !g.Autostart {
			continue
		}
		var holds []facts.Hold
		if stated := c.Stated(g.Name); stated != nil {
			holds = c.Holds(stated)
		} else if g.Kept != nil {
			holds = c.Facts.Survey.Topology.Holds(g.Kept)
		}
		if slices.ContainsFunc(holds, func(h facts.Hold) bool { return h.Node == r.Node && h.SizeBytes == r.SizeBytes }) {
			names = append(names, g.Name)
		}
	}
	return names
}

// bootPages tells how many pages of a size the kernel's command line reserves on a
// node: of a number without a node each node gets its share, and what is said a
// second time is ignored (Linux Documentation/admin-guide/mm/hugetlbpage.rst,
// mm/hugetlb.c, hugepages_setup). What is not understood reserves nothing.
func (c *Case) bootPages(node int, size uint64) int {
	of := c.Facts.Survey.Topology.PageSize // of what no size goes before
	machine := c.Facts.Survey.Machine
	for _, text := range machine.Parameter("default_hugepagesz") {
		of = kernelSize(text)
	}
	for word := range strings.FieldsSeq(machine.CommandLine) {
		switch key, value, _ := strings.Cut(word, "="); key {
		case "hugepagesz":
			of = kernelSize(value)
		case "hugepages":
			if of == size {
				return pagesFor(value, node, max(1, len(c.Facts.Survey.Topology.Nodes)))
			}
		}
	}
	return 0
}

// pagesFor reads 512, or 0:256,1:256.
func pagesFor(value string, node, nodes int) int {
	if total, err := strconv.Atoi(value); err == nil {
		return total / nodes
	}
	for _, one := range strings.Split(value, ",") {
		if on, count, both := strings.Cut(one, ":"); both && on == strconv.Itoa(node) {
			pages, _ := strconv.Atoi(count)
			return pages
		}
	}
	return 0
}

// kernelSize reads 2M, 1G, 2048k (Linux lib/cmdline.c, memparse); 0: it is none.
func kernelSize(text string) uint64 {
	shift := 0
	switch strings.ToUpper(text[max(0, len(text)-1):]) {
	case "K":
		shift = 10
	case "M":
		shift = 20
	case "G":
		shift = 30
	}
	if shift > 0 {
		text = text[:len(text)-1]
	}
	number, err := strconv.ParseUint(text, 10, 32)
	if err != nil {
		return 0
	}
	return number << shift
}

// hugePagesOn gives what a kernel's command line says of huge pages.
func hugePagesOn(line string) string {
	var list []string
	for _, word := range strings.Fields(line) {
		if strings.Contains(word, "hugepages") {
			list = append(list, word)
		}
	}
	return strings.Join(list, " ")
}
