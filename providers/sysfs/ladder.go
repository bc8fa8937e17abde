package sysfs

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// Recover implements guard.Recovery.
func (t Tree) Recover(ctx context.Context, at facts.Address, by guard.Rung) error {
	switch by {
	case guard.Probe:
		return t.probe(ctx, at)
	case guard.Rebind:
		return t.bindAnew(ctx, at)
	case guard.Reset:
		return t.reset(ctx, at)
	case guard.Rescan:
		return t.rescan(ctx, at)
	}
	return fmt.Errorf("bring back %s: there is no rung %q", at, by)
}

// The rungs on which a function that has not come back is brought back, as the
// kernel offers them (Linux Documentation/ABI/testing/sysfs-bus-pci). Which
// one, and whether any, is decided elsewhere; each tells only whether the kernel
// took the order.

// probe has the kernel look for a driver for a function that has none.
func (t Tree) probe(ctx context.Context, at facts.Address) error {
	f, err := t.bound(at)
	if err == nil && f.Driver == "" {
		err = t.put(ctx, t.file("sys/bus/pci", "drivers_probe"), at.String())
	}
	if err != nil {
		return fmt.Errorf("probe %s: %w", at, err)
	}
	return nil
}

// bindAnew has a function's driver let go of it and take it again.
func (t Tree) bindAnew(ctx context.Context, at facts.Address) error {
	f, err := t.bound(at)
	if err == nil && f.Driver == "" {
		err = errors.New("no driver holds it")
	}
	if err == nil {
		err = t.putHeld(ctx, at, "driver/unbind", at.String())
	}
	if err == nil {
		err = t.put(ctx, t.file("sys/bus/pci/drivers", f.Driver+"/bind"), at.String())
	}
	if err != nil {
		return fmt.Errorf("bind %s anew: %w", at, err)
	}
	return nil
}

// reset resets a function by the first of its methods that works, and has the
// kernel look for a driver where it has none.
func (t Tree) reset(ctx context.Context, at facts.Address) error {
	f, err := t.bound(at)
	if err == nil {
		err = t.putHeld(ctx, at, "reset", "1")
	}
	if err == nil && f.Driver == "" {
		err = t.put(ctx, t.file("sys/bus/pci", "drivers_probe"), at.String())
	}
	if err != nil {
		return fmt.Errorf("reset %s: %w", at, err)
	}
	return nil
}

// rescan removes a function, where it is to be seen, and has the kernel look
// at its bus again.
func (t Tree) rescan(ctx context.Context, at facts.Address) error {
	err := t.remove(ctx, at)
	if err == nil {
		err = t.put(ctx, t.bus(at), "1")
	}
	if err != nil {
		return fmt.Errorf("look for %s anew: %w", at, err)
	}
	return nil
}

func (t Tree) remove(ctx context.Context, at facts.Address) error {
	if t.live == "" {
		return errReadOnly
	}
	_, err := t.fsys.Lstat(devicesDir + "/" + at.String())
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return t.putHeld(ctx, at, "remove", "1")
}

// bus gives the file that has a function's own bus looked at again, or all
// buses where that one is not to be seen.
func (t Tree) bus(at facts.Address) string {
	name := fmt.Sprintf("%04x:%02x", at.Segment, at.Bus)
	if _, err := t.fsys.Lstat(path.Join("sys/class/pci_bus", name)); err == nil {
		return t.file("sys/class/pci_bus", name+"/rescan")
	}
	return t.file("sys/bus/pci", "rescan")
}
