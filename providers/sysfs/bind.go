package sysfs

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"

	"lendkeep/providers/holding"
	"lendkeep/providers/program"
	"lendkeep/reconcile/facts"
)

// ErrUnknownOutcome is for a write whose end was not seen: whether the kernel
// has done it, or will yet do it, has to be read back from the host.
var ErrUnknownOutcome = errors.New("the outcome is not known")

// errReadOnly is for writes to a captured host.
var errReadOnly = errors.New("the root directory is an archive, which cannot be written to")

// vfioDriver is the driver that lends a function, as its module and below /sys.
const vfioDriver = "vfio-pci"

// ToVFIO takes a function from its driver and gives it to vfio-pci, in libvirt's
// sequence (src/util/virpci.c, virPCIDeviceBindWithDriverOverride): override,
// unbind, probe. A function that a VFIO driver already holds is left alone. The
// kernel answers no error where no driver binds in the end: read it back.
func (t Tree) ToVFIO(ctx context.Context, at facts.Address) error {
	f, err := t.bound(at)
	if err != nil {
		return fmt.Errorf("give %s to %s: %w", at, vfioDriver, err)
	}
	if f.OnVFIO() {
		return nil
	}
	if _, err := os.Stat(t.file("sys/bus/pci/drivers", vfioDriver)); errors.Is(err, os.ErrNotExist) {
		if err := t.load(ctx, vfioDriver); err != nil {
			return fmt.Errorf("give %s to %s: %w", at, vfioDriver, err)
		}
	}
	if err := t.rebind(ctx, f, vfioDriver); err != nil {
		return fmt.Errorf("give %s to %s: %w", at, vfioDriver, err)
	}
	return nil
}

// ToHost gives a function back to the host's own driver, in libvirt's sequence
// (virPCIDeviceUnbindFromStubWithOverride): clear the override, unbind, probe. With an
// override it goes to the driver of that name, or to none. A driver of the host that
// already holds it is left alone.
func (t Tree) ToHost(ctx context.Context, at facts.Address, override string) error {
	f, err := t.bound(at)
	if err == nil {
		err = t.rebind(ctx, f, override)
	}
	if err != nil {
		return fmt.Errorf("give %s back to the host: %w", at, err)
	}
	return nil
}

// bound reads what holds a function now.
func (t Tree) bound(at facts.Address) (facts.Function, error) {
	f := facts.Function{Address: at}
	if t.live == "" {
		return f, errReadOnly
	}
	dir := devicesDir + "/" + at.String()
	if _, err := t.fsys.Lstat(dir); err != nil {
		return f, fmt.Errorf("find the function: %w", err)
	}
	p := place{&reader{fsys: t.fsys}, dir, &f.Gaps}
	f.Driver = driver(p)
	if gap := f.Gap("driver"); gap != nil {
		return f, fmt.Errorf("read its driver at %s: %s", gap.Path, gap.Reason)
	}
	return f, nil
}

// rebind makes the kernel choose a driver anew, with an override or none.
func (t Tree) rebind(ctx context.Context, f facts.Function, override string) error {
	device := t.file(devicesDir, f.Address.String())
	overrides := func() error { return t.put(ctx, filepath.Join(device, "driver_override"), override+"\n") }
	leave := f.Driver != "" && (override == vfioDriver || f.OnVFIO())
	if !leave {
		if err := overrides(); err != nil || f.Driver != "" {
			return err
		}
	} else if err := t.held(ctx, f.Address, func() error {
		if err := overrides(); err != nil {
			return err
		}
		return t.put(ctx, filepath.Join(device, "driver/unbind"), f.Address.String())
	}); err != nil {
		return err
	}
	return t.put(ctx, t.file("sys/bus/pci", "drivers_probe"), f.Address.String())
}

// held does what takes the drives of a function from the host while nobody else
// can begin to use them. It does nothing where somebody does.
func (t Tree) held(ctx context.Context, at facts.Address, do func() error) error {
	release, err := t.holdSoon(ctx, at)
	if err != nil {
		return fmt.Errorf("hold the drives of %s, so that nobody begins to use them: %w", at, err)
	}
	defer release()
	return do()
}

// holdSoon is hold with an end. A drive that hangs may never let itself be opened:
// that is left behind, and let go should it come to an end.
func (t Tree) holdSoon(ctx context.Context, at facts.Address) (func(), error) {
	type end struct {
		release func()
		err     error
	}
	ended := make(chan end, 1)
	go func() {
		release, err := t.hold(ctx, at)
		ended <- end{release, err}
	}()
	select {
	case e := <-ended:
		return e.release, e.err
	case <-ctx.Done():
		go func() {
			if e := <-ended; e.err == nil {
				e.release()
			}
		}()
		return nil, ctx.Err()
	}
}

// putHeld writes an attribute of a function that takes its drives from the host.
func (t Tree) putHeld(ctx context.Context, at facts.Address, name, text string) error {
	return t.held(ctx, at, func() error {
		return t.put(ctx, filepath.Join(t.file(devicesDir, at.String()), name), text)
	})
}

// holdDrives holds what is on the drives of a function of this machine.
func (t Tree) holdDrives(ctx context.Context, at facts.Address) (func(), error) {
	s := t.begin()
	if s.readBlocks(ctx); ctx.Err() != nil {
		return nil, ctx.Err()
	}
	for _, gap := range s.out.Gaps {
		return nil, fmt.Errorf("read %s at %s: %s", gap.Fact, gap.Path, gap.Reason)
	}
	return holding.Hold(ctx, &s.out, at)
}

// nobody is for roots that are no machine: no kernel has their drives.
func nobody(context.Context, facts.Address) (func(), error) { return func() {}, nil }

func (t Tree) file(dir, name string) string { return filepath.Join(t.live, dir, name) }

// put writes one attribute. The kernel answers when it is done, which for
// unbind may be never: a device in use is waited for.
func (t Tree) put(ctx context.Context, file, text string) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("write %s: not begun: %w", file, err)
	}
	done := make(chan error, 1)
	go func() { done <- t.write(file, text) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("write %s: %w: %w", file, ErrUnknownOutcome, ctx.Err())
	}
}

// writeOnce writes text by one call, as attributes want it, to a file that has
// to be there.
func writeOnce(file, text string) error {
	attribute, err := os.OpenFile(file, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = attribute.WriteString(text)
	return errors.Join(err, attribute.Close())
}

// modprobe loads a kernel module by modprobe(8).
func modprobe(ctx context.Context, module string) error {
	if _, err := program.Run(ctx, exec.Command("modprobe", "--", module)); err != nil {
		return fmt.Errorf("load module %s: %w", module, err)
	}
	return nil
}
