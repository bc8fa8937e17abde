package machine

import (
	"errors"
	"fmt"
	"regexp"
)

// serialShape holds what NVM Express Base Specification 1.4, figure 247 (bytes
// 23:04, SN: 20 ASCII characters) and QEMU's options both take.
var serialShape = regexp.MustCompile(`^[A-Za-z0-9._-]{1,20}$`)

// The slots of the root bus; 0 is the host bridge, 31 the chipset.
const (
	farSlot     = 2 // the second node's root bus
	channelSlot = 3
	firstSlot   = 4 // of the seats
	ownSlot     = 30
)

// functions is how many functions one PCI device can have.
const functions = 8

// maxVirtual is how many virtual functions find queues: QEMU's controller has 64 and
// keeps two (hw/nvme/ctrl.c, nvme_check_params).
const maxVirtual = 31

// Check reports everything in the description that no machine could be built
// from.
func (m Machine) Check() error {
	errs := []error{m.Own.check("own drive")}
	if m.Own.Kind != NVMe {
		errs = append(errs, fmt.Errorf("own drive: it has to be an NVMe drive, not %q", m.Own.Kind))
	}
	disks := map[string]string{m.Own.DiskName(): "own drive"}
	used := 0
	for i, seat := range m.Seats {
		name := fmt.Sprintf("seat %d", i+1)
		used += seat.slots()
		errs = append(errs, seat.check(name))
		if seat.Node < 0 || seat.Node >= m.nodes() {
			errs = append(errs, fmt.Errorf("%s: no node %d, the machine has %d", name, seat.Node, m.nodes()))
		}
		for k, card := range seat.Cards {
			place := fmt.Sprintf("%s, card %d", name, k+1)
			errs = append(errs, card.check(place))
			for _, drive := range card.Drives() {
				if other, taken := disks[drive.DiskName()]; taken {
					errs = append(errs, fmt.Errorf("%s: its disk %q is that of %s; give it another Disk", place, drive.DiskName(), other))
				}
				disks[drive.DiskName()] = place
			}
		}
	}
	if n := m.nodes(); n > 2 || m.Processors()%n != 0 || m.Memory()%n != 0 {
		errs = append(errs, fmt.Errorf("%d nodes: at most 2, with equal shares of %d CPUs and %d MiB", n, m.Processors(), m.Memory()))
	}
	if room := ownSlot - firstSlot; used > room {
		errs = append(errs, fmt.Errorf("seats take %d slots, the root bus has %d for them", used, room))
	}
	return errors.Join(errs...)
}

// slots is how many slots of the root bus the seat takes.
func (s Seat) slots() int {
	if s.Way == Alone {
		return len(s.Cards)
	}
	return 1
}

func (s Seat) check(name string) error {
	switch s.Way {
	case Alone, SharedSlot, MultiFunction, Switched, Conventional:
	default:
		return fmt.Errorf("%s: no such way %q", name, s.Way)
	}
	if len(s.Cards) == 0 {
		return fmt.Errorf("%s: it holds no card", name)
	}
	if s.Way != Alone && len(s.Cards) > functions {
		return fmt.Errorf("%s: %d cards, at most %d fit when it is %s", name, len(s.Cards), functions, s.Way)
	}
	return nil
}

func (c Card) check(place string) error {
	var errs []error
	if c.Second != "" && (c.Kind != SATA || !serialShape.MatchString(c.Second)) {
		errs = append(errs, fmt.Errorf("%s: second disk %q: only a SATA card has one, with a serial like the first's", place, c.Second))
	}
	if c.Virtual != 0 && (c.Kind != NVMe || c.Virtual < 0 || c.Virtual > maxVirtual) {
		errs = append(errs, fmt.Errorf("%s: %d virtual functions, only an NVMe controller can make some, up to %d", place, c.Virtual, maxVirtual))
	}
	switch c.Kind {
	case NVMe, SATA, USB:
	case Network, Graphics, Sound:
		return errors.Join(errs...)
	default:
		return fmt.Errorf("%s: no such kind %q", place, c.Kind)
	}
	if !serialShape.MatchString(c.Serial) {
		errs = append(errs, fmt.Errorf("%s: serial %q is not 1 to 20 letters, digits, dots, dashes or underscores", place, c.Serial))
	}
	if c.Disk != "" && !serialShape.MatchString(c.Disk) {
		errs = append(errs, fmt.Errorf("%s: disk name %q is not 1 to 20 letters, digits, dots, dashes or underscores", place, c.Disk))
	}
	if c.SizeMiB < 0 {
		errs = append(errs, fmt.Errorf("%s: size %d MiB is below zero", place, c.SizeMiB))
	}
	if sector := c.Sector(); sector != 512 && sector != 4096 {
		errs = append(errs, fmt.Errorf("%s: sector of %d bytes, it can be 512 or 4096", place, sector))
	}
	if c.Kind == SATA && c.Sector() != 512 {
		errs = append(errs, fmt.Errorf("%s: QEMU's SATA disks have sectors of 512 bytes only", place))
	}
	return errors.Join(errs...)
}
