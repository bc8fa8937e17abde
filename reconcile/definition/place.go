package definition

import (
	"slices"
	"strings"

	"github.com/beevik/etree"
)

// The sequences in which libvirt prints what lendkeep adds, so that a
// definition reads the same before and after libvirt had it (libvirt 9.0
// src/conf/domain_conf.c: virDomainDefFormatInternalSetRootName,
// virDomainDeviceInfoFormat and the format functions of each device).
var (
	guestSequence = strings.Fields(`name uuid genid title description metadata maxMemory memory currentMemory
		blkiotune memtune memoryBacking vcpu vcpus iothreads iothreadids defaultiothread cputune numatune resource
		sysinfo bootloader bootloader_args idmap os features cpu clock on_poweroff on_reboot on_crash
		on_lockfailure pm perf devices seclabel keywrap launchSecurity`)
	osSequence     = strings.Fields(`type firmware loader nvram kernel initrd cmdline dtb acpi boot bios bootmenu smbios`)
	deviceSequence = strings.Fields(`emulator disk controller lease filesystem interface smartcard serial parallel
		console channel input tpm graphics sound audio video hostdev redirdev redirfilter hub watchdog memballoon
		rng nvram panic shmem memory iommu vsock crypto`)
	backingSequence = strings.Fields(`hugepages nosharepages locked source access allocation discard`)
	tuneSequence    = strings.Fields(`shares period quota global_period global_quota emulator_period emulator_quota
		iothread_period iothread_quota vcpupin emulatorpin iothreadpin vcpusched iothreadsched emulatorsched cachetune memorytune`)
	// Every device ends with these; what comes before differs by kind.
	deviceEnd = strings.Fields(`boot alias master rom acpi address`)
)

// add puts a new element among the children of parent where libvirt would
// print it, on a line of its own. Children that libvirt 9.0 does not know come
// after it.
func add(parent, e *etree.Element, sequence []string) {
	before := lastBefore(parent, e.FullTag(), sequence)
	if same := children(parent, e.FullTag()); len(same) > 0 {
		before = same[len(same)-1]
	}
	addAfter(parent, before, e)
}

// lastBefore gives the last child of parent that libvirt would print before the
// first of that name; nil for none.
func lastBefore(parent *etree.Element, name string, sequence []string) *etree.Element {
	place := slices.Index(sequence, name)
	var before *etree.Element
	for c := range parent.ChildElementsSeq() {
		if at := slices.Index(sequence, c.FullTag()); at >= 0 && at < place {
			before = c
		}
	}
	return before
}

// addEnd puts a new element among those that every device ends with.
func addEnd(device, e *etree.Element) {
	place := slices.Index(deviceEnd, e.FullTag())
	var before *etree.Element
	for c := range device.ChildElementsSeq() {
		if slices.Index(deviceEnd, c.FullTag()) <= place {
			before = c
		}
	}
	addAfter(device, before, e)
}

// addAfter puts a new element after a child of parent, or first where that is
// nil, with the line break and indent that its siblings have.
func addAfter(parent, before, e *etree.Element) {
	if siblings := parent.ChildElements(); len(siblings) > 0 {
		at := 0
		if before != nil {
			at = before.Index() + 1
		}
		parent.InsertChildAt(at, etree.NewText(margin(siblings[0])))
		parent.InsertChildAt(at+1, e)
	} else {
		for len(parent.Child) > 0 && blank(parent.Child[len(parent.Child)-1]) {
			parent.RemoveChildAt(len(parent.Child) - 1)
		}
		parent.AddChild(etree.NewText(margin(parent) + "  "))
		parent.AddChild(e)
		parent.AddChild(etree.NewText(margin(parent)))
	}
	indent(e)
}

// indent gives every child of a new element a line of its own.
func indent(e *etree.Element) {
	outer := margin(e)
	for _, c := range e.ChildElements() {
		e.InsertChildAt(c.Index(), etree.NewText(outer+"  "))
		indent(c)
	}
	if len(e.ChildElements()) > 0 {
		e.AddChild(etree.NewText(outer))
	}
}

// drop removes an element with the line it stands on.
func drop(e *etree.Element) {
	parent, at := e.Parent(), e.Index()
	parent.RemoveChildAt(at)
	if at == 0 {
		return
	}
	if blank(parent.Child[at-1]) {
		parent.RemoveChildAt(at - 1)
	}
}

// dropEmpty removes an element that has nothing left: a comment is something.
func dropEmpty(e *etree.Element) {
	if e != nil && len(e.Attr) == 0 && bare(e) {
		drop(e)
	}
}

// margin gives the white space before an element: the line break and indent
// that a sibling needs too.
func margin(e *etree.Element) string {
	if e.Parent() == nil || e.Index() == 0 {
		return "\n"
	}
	before := e.Parent().Child[e.Index()-1]
	if !blank(before) {
		return "\n"
	}
	space := before.(*etree.CharData).Data
	return "\n" + space[strings.LastIndex(space, "\n")+1:]
}

// blank tells whether a token is white space.
func blank(token etree.Token) bool {
	c, ok := token.(*etree.CharData)
	return ok && strings.TrimSpace(c.Data) == ""
}

// child gives the first child of that name, or nil. Names of libvirt's own
// have no prefix, so <x:os> is not meant by os.
func child(e *etree.Element, name string) *etree.Element {
	if e == nil {
		return nil
	}
	for c := range e.ChildElementsSeq() {
		if c.Space == "" && c.Tag == name {
			return c
		}
	}
	return nil
}

// children gives all children of that name.
func children(e *etree.Element, name string) []*etree.Element {
	if e == nil {
		return nil
	}
	return slices.DeleteFunc(e.ChildElements(), func(c *etree.Element) bool { return c.Space != "" || c.Tag != name })
}

// at follows a path of child names; nil when it ends early.
func at(e *etree.Element, path ...string) *etree.Element {
	for _, name := range path {
		e = child(e, name)
	}
	return e
}

// attr gives an attribute's value, empty where it is missing.
func attr(e *etree.Element, key string) string {
	if e == nil {
		return ""
	}
	for _, a := range e.Attr {
		if a.Space == "" && a.Key == key {
			return a.Value
		}
	}
	return ""
}

// text gives the text in an element without the white space around it.
func text(e *etree.Element) string {
	if e == nil {
		return ""
	}
	return strings.TrimSpace(e.Text())
}

// element makes a new element; attributes are given as name, value, name, value.
func element(name string, attributes ...string) *etree.Element {
	e := etree.NewElement(name)
	for i := 0; i < len(attributes); i += 2 {
		e.CreateAttr(attributes[i], attributes[i+1])
	}
	return e
}

// with adds children to a new element.
func with(e *etree.Element, children ...*etree.Element) *etree.Element {
	for _, c := range children {
		e.AddChild(c)
	}
	return e
}

// set changes an attribute and tells whether that changed anything.
func set(e *etree.Element, key, value string) bool {
	if attr(e, key) == value {
		return false
	}
	e.CreateAttr(key, value)
	return true
}

// unset removes an attribute and tells whether it was there.
func unset(e *etree.Element, key string) bool { return e.RemoveAttr(key) != nil }
