package machine

import (
	"fmt"
	"strings"
)

// Arguments is the command line of QEMU, without the program, for a machine and
// what it boots from. It is a pure function: the same values give the same words.
func (m Machine) Arguments(b Boot) ([]string, error) {
	if err := m.Check(); err != nil {
		return nil, fmt.Errorf("describe machine: %w", err)
	}
	w := &words{list: b.Start(), folder: b.Folder, slot: firstSlot - 1}
	w.size(m)
	w.device(IOMMU)
	w.device("virtio-serial-pci", "id=channels", Set("addr", address(channelSlot, 0)))
	w.add(b.Talk("channels.0")...)
	w.further(m)
	for _, seat := range m.Seats {
		w.seat(seat)
	}
	w.own(m.Own, b.OwnDisk)
	return w.list, nil
}

// words collects arguments and counts what must be unique over the machine.
type words struct {
	list    []string
	folder  string
	root    string // bus that root ports are put on
	slot    int    // the last slot that was given away, on whichever root bus
	chassis int    // of root and downstream ports: QEMU wants each (chassis, slot) pair once
	cards   int
}

func (w *words) add(list ...string) { w.list = append(w.list, list...) }

// device adds one -device; the settings keep their order.
func (w *words) device(kind string, settings ...string) {
	w.add("-device", strings.Join(append([]string{kind}, settings...), ","))
}

// own stands behind all seats, so that the first card of the first seat is
// 0000:01:00.0 in every machine.
func (w *words) own(card Card, disk string) {
	w.root = firstRoot
	bus := w.rootPort(ownSlot, 0)
	w.drive("own", "qcow2", disk)
	w.nvme(card, "own", bus, "addr=0x0")
}

func (w *words) drive(id, format, file string) { w.add(Drive(id+"disk", format, file)...) }

func address(slot, function int) string { return fmt.Sprintf("0x%x.0x%x", slot, function) }
