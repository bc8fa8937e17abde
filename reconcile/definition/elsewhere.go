package definition

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// Elsewhere is an emulated machine with little room and no KVM, on which a guest of
// another host shall start.
type Elsewhere struct {
	CPUs        int    // most that a guest has
	MemoryBytes uint64 // most that a guest has
	// At says where a function of the host is there; false: nowhere.
	At func(facts.Address) (facts.Address, bool)
	// Device says by which path a block device of the host is found there; false: none is.
	Device func(path string) (string, bool)
}

// Transplant makes a guest's definition one that starts elsewhere: its processors
// and memory fit, what it borrows is named by where it is there, and what that
// machine has no counterpart for is taken away. What is not known to start there
// counts as that. Changes tells each in a sentence.
func Transplant(xml string, to Elsewhere) (after string, changes []string, err error) {
	t, err := parse(xml)
	if err != nil {
		return "", nil, err
	}
	if child(t.guest, "devices") == nil {
		return "", nil, fmt.Errorf("transplant definition: it has no <devices>")
	}
	tr := &transplant{edit: edit{guest: t.guest}, to: to}
	noted := noteOf(t.guest) != nil
	for _, part := range []func() error{tr.kind, tr.memoryThere, tr.processors, tr.parts, tr.start, tr.devicesKept} {
		if err := part(); err != nil {
			return "", nil, fmt.Errorf("transplant definition of %s: %w", text(child(t.guest, "name")), err)
		}
	}
	if len(tr.changes) == 0 && !noted {
		return xml, nil, nil
	}
	return t.String(), tr.changes, nil
}

type transplant struct {
	edit
	to Elsewhere
}

// newestMachine is the newest version of the machine types that Debian 12's QEMU 7.2
// knows (qemu-system-x86_64 -machine help).
var newestMachine = []int{7, 2}

const (
	emulatorThere = "/usr/bin/qemu-system-x86_64"
	firmwareThere = "/usr/share/OVMF/OVMF_CODE_4M.fd"
	storeThere    = "/usr/share/OVMF/OVMF_VARS_4M.fd"
)

// firmwaresThere are the images of Debian 12's package ovmf.
var firmwaresThere = []string{
	"/usr/share/OVMF/OVMF_CODE.fd", firmwareThere, "/usr/share/OVMF/OVMF_CODE_4M.ms.fd",
	"/usr/share/OVMF/OVMF_CODE_4M.secboot.fd", "/usr/share/OVMF/OVMF_CODE_4M.snakeoil.fd",
}

// kind has QEMU emulate the guest, with a machine type that it knows.
func (t *transplant) kind() error {
	if was := attr(t.guest, "type"); set(t.guest, "type", "qemu") {
		t.say("type qemu instead of %s", was)
	}
	if kind := at(t.guest, "os", "type"); kind != nil {
		was := attr(kind, "machine")
		if plain, known := machineThere(was); !known && set(kind, "machine", plain) {
			t.say("machine %s instead of %s", plain, was)
		}
	}
	if program := child(t.devices(), "emulator"); program != nil && text(program) != emulatorThere {
		t.say("emulator %s instead of %s", emulatorThere, text(program))
		program.SetText(emulatorThere)
	}
	return nil
}

// machineThere tells whether a machine type is known, else which one is nearest.
func machineThere(name string) (plain string, known bool) {
	plain = "q35"
	if strings.Contains(name, "i440fx") || name == "pc" {
		plain = "pc"
	}
	if slices.Contains([]string{"", "q35", "pc"}, name) {
		return plain, true
	}
	for _, family := range []string{"pc-q35-", "pc-i440fx-"} {
		if version, found := strings.CutPrefix(name, family); found {
			first, second, _ := strings.Cut(version, ".")
			major, err1 := strconv.Atoi(first)
			minor, err2 := strconv.Atoi(second)
			return plain, err1 == nil && err2 == nil && major >= 3 && slices.Compare([]int{major, minor}, newestMachine) <= 0
		}
	}
	return plain, false
}

// memoryThere bounds the memory, which is in one piece and reserved nowhere.
func (t *transplant) memoryThere() error {
	if pages := at(t.guest, "memoryBacking", "hugepages"); pages != nil {
		t.lose("memory", pages)
	}
	for _, name := range []string{"maxMemory", "memtune", "numatune"} {
		if e := child(t.guest, name); e != nil {
			t.lose("memory", e)
		}
	}
	for _, name := range []string{"memory", "currentMemory"} {
		e := child(t.guest, name)
		if e == nil {
			continue
		}
		was, err := bytesOf(e)
		if err != nil {
			return err
		}
		if was > t.to.MemoryBytes {
			setBytes(e, t.to.MemoryBytes)
			t.say("<%s> %s instead of %s", name, size(t.to.MemoryBytes), size(was))
		}
	}
	return nil
}

// processors bounds how many there are; of which kind, and where they run, is left
// to QEMU.
func (t *transplant) processors() error {
	for _, name := range []string{"cpu", "cputune", "vcpus", "iothreadids"} {
		if e := child(t.guest, name); e != nil {
			t.lose("processors", e)
		}
	}
	vcpu := child(t.guest, "vcpu")
	if vcpu == nil {
		return nil
	}
	for _, key := range []string{"current", "cpuset", "placement"} {
		// libvirt's QEMU driver writes by itself that they are placed so (9.0.0).
		if value := attr(vcpu, key); value != "" && (key != "placement" || value != "static") {
			t.loseAttr("processors", vcpu, key)
		}
	}
	was, err := cpuCount(vcpu)
	if err != nil {
		return err
	}
	if was > t.to.CPUs {
		vcpu.SetText(strconv.Itoa(t.to.CPUs))
		t.say("%d processors instead of %d", t.to.CPUs, was)
	}
	return nil
}

// staying are the parts of a definition that mean the same there. Lendkeep's note does
// not: it names functions by what they are on the host.
var staying = []string{"name", "uuid", "genid", "title", "description", "metadata", "memory", "currentMemory", "memoryBacking", "vcpu", "iothreads",
	"os", "sysinfo", "features", "clock", "on_poweroff", "on_reboot", "on_crash", "pm", "devices"}

// needKVM are features and timers that only KVM has (libvirt domain format,
// "Hypervisor features", "Time keeping").
var needKVM = []string{"hyperv", "kvm", "pvspinlock", "pmu", "xen", "msrs", "kvmclock", "hypervclock", "tsc"}

func (t *transplant) parts() error {
	for _, e := range t.guest.ChildElements() {
		if e.Space != "" || !slices.Contains(staying, e.Tag) {
			t.lose("guest", e)
		}
	}
	if note := noteOf(t.guest); note != nil {
		metadata := note.Parent()
		drop(note)
		dropEmpty(metadata)
	}
	for _, e := range childrenOf(child(t.guest, "features")) {
		if slices.Contains(needKVM, e.Tag) || e.Tag == "ioapic" {
			t.lose("processors", e)
		}
	}
	for _, e := range children(child(t.guest, "clock"), "timer") {
		if slices.Contains(needKVM, attr(e, "name")) {
			t.lose("processors", e)
		}
	}
	return nil
}

// start has the guest's firmware be one that is there, and nothing loaded past it.
func (t *transplant) start() error {
	system := child(t.guest, "os")
	for _, name := range []string{"kernel", "initrd", "cmdline", "dtb", "shim"} {
		if e := child(system, name); e != nil {
			t.lose("start", e)
		}
	}
	loader, store := child(system, "loader"), child(system, "nvram")
	if image := text(loader); image == "" || slices.Contains(firmwaresThere, image) {
		return nil
	} else if attr(loader, "type") != "pflash" && store == nil {
		t.lose("firmware", loader)
		return nil
	} else {
		t.say("firmware %s instead of %s", firmwareThere, image)
	}
	loader.SetText(firmwareThere)
	for _, key := range []string{"secure", "format", "stateless"} {
		if attr(loader, key) != "" {
			t.loseAttr("firmware", loader, key)
		}
	}
	if store != nil {
		set(store, "template", storeThere)
		unset(store, "templateFormat")
		unset(store, "format")
	}
	return nil
}

// devicesKept keeps those devices that are known to start there.
func (t *transplant) devicesKept() error {
	for _, e := range devicesOf(t.guest) {
		keeps := devicesThere[e.Tag]
		if e.Space != "" || keeps == nil || !keeps(t, e) {
			t.lose("devices", e)
		}
	}
	return nil
}

// devicesThere holds what is known to start, by element; each may be changed.
var devicesThere = map[string]func(*transplant, *etree.Element) bool{
	"emulator": always, "controller": (*transplant).controller, "memballoon": always, "watchdog": always, "panic": always,
	"disk": (*transplant).disk, "hostdev": (*transplant).lent, "interface": (*transplant).lent, "video": (*transplant).video,
	"serial": ofType("pty", "null"), "console": ofType("pty", "null"), "channel": ofType("unix", "pty"), "graphics": ofType("vnc"),
	"input": ofType("mouse", "keyboard", "tablet"),
	"rng":   func(_ *transplant, e *etree.Element) bool { return attr(child(e, "backend"), "model") == "random" },
}

func always(*transplant, *etree.Element) bool { return true }

func ofType(types ...string) func(*transplant, *etree.Element) bool {
	return func(_ *transplant, e *etree.Element) bool { return slices.Contains(types, attr(e, "type")) }
}

// controller keeps a controller, on no node of the guest's: it has none there.
func (t *transplant) controller(e *etree.Element) bool {
	if node := at(e, "target", "node"); node != nil {
		t.lose("memory", node)
		dropEmpty(child(e, "target"))
	}
	return true
}

// disk keeps a disk on a file, which stands there alone, or on a device that is there.
func (t *transplant) disk(e *etree.Element) bool {
	if holdsPCI(e) {
		return t.lent(e)
	}
	source := child(e, "source")
	kind := cmp.Or(attr(e, "type"), "file")
	sealed := child(e, "encryption") != nil || len(childrenOf(source)) > 0
	if attr(e, "device") == "lun" || kind != "file" && kind != "block" || sealed {
		return false
	}
	for _, below := range append(children(e, "backingStore"), children(e, "mirror")...) {
		if len(below.ChildElements()) > 0 {
			t.lose("disk "+attr(child(e, "target"), "dev"), below)
		}
	}
	if kind == "file" {
		return true // an empty drive too
	}
	was := attr(source, "dev")
	there, found := t.to.Device(was)
	if found && set(source, "dev", there) {
		t.say("disk %s: %s instead of %s", attr(child(e, "target"), "dev"), there, was)
	}
	return found
}

// lent keeps a function that is there, by its address there, with its own ROM.
func (t *transplant) lent(e *etree.Element) bool {
	if !holdsPCI(e) {
		return false
	}
	place := at(e, "source", "address")
	was, err := addressOf(place)
	if err != nil {
		return false
	}
	there, found := t.to.At(was)
	if !found {
		return false
	}
	if there != was {
		for pairs := addressAttrs(there); len(pairs) > 0; pairs = pairs[2:] {
			place.CreateAttr(pairs[0], pairs[1])
		}
		t.say("lent function %s instead of %s", there, was)
	}
	if rom := child(e, "rom"); attr(rom, "file") != "" {
		t.lose("lent function "+there.String(), rom)
	}
	return true
}

// video has a card be one that QEMU has without further packages.
func (t *transplant) video(e *etree.Element) bool {
	model := child(e, "model")
	was := attr(model, "type")
	if slices.Contains([]string{"none", "vga", "cirrus", "bochs"}, was) {
		return true
	}
	if model == nil {
		return false
	}
	t.say("video vga instead of %s", spelled(model))
	for _, c := range model.ChildElements() {
		drop(c)
	}
	model.Attr = nil
	model.CreateAttr("type", "vga")
	if driver := child(e, "driver"); driver != nil {
		t.lose("video", driver)
	}
	return true
}
