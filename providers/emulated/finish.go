package emulated

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"github.com/gofrs/flock"

	"lendkeep/providers/emulated/image"
	"lendkeep/providers/emulated/machine"
)

// Prepare makes the image and nothing else.
func Prepare(ctx context.Context, say io.Writer) (image.Image, error) {
	h, err := enter(ctx, "", say)
	if err != nil {
		return image.Image{}, err
	}
	return h.made, h.Close()
}

// enter waits for its turn on the cache, which is also the turn to run a host,
// and makes the image. The host it gives is off.
func enter(ctx context.Context, agent string, say io.Writer) (*Host, error) {
	cache, err := image.Cache()
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(cache, 0o755); err != nil {
		return nil, fmt.Errorf("enter cache: %w", err)
	}
	lock := flock.New(filepath.Join(cache, "lock"))
	if err := takeTurn(ctx, lock, say); err != nil {
		return nil, err
	}
	h := &Host{agent: agent, folder: filepath.Join(cache, "host"), leave: lock.Unlock}
	if h.made, err = image.Make(ctx, cache, say, func(fresh image.Image) error { return finish(ctx, h, fresh) }); err != nil {
		return nil, errors.Join(err, h.Close())
	}
	if kvm, why := acceleration(); !kvm {
		fmt.Fprintf(say, "emulated host: without KVM, so slowly: %s\n", why)
	}
	return h, nil
}

// takeTurn takes the lock, which the kernel gives back when a program ends
// however it ends.
func takeTurn(ctx context.Context, lock *flock.Flock, say io.Writer) error {
	free, err := lock.TryLock()
	if err == nil && !free {
		fmt.Fprintln(say, "emulated host: waiting for another one to close")
		_, err = lock.TryLockContext(ctx, 500*time.Millisecond)
	}
	if err != nil {
		return fmt.Errorf("wait for the other emulated host to close: %w", err)
	}
	return nil
}

// finish lets a new image boot once, so that libvirt's look at its QEMU, which
// takes longer than all the rest of a boot, is kept in the image.
func finish(ctx context.Context, of *Host, fresh image.Image) error {
	h := &Host{made: fresh, agent: of.agent, folder: of.folder, leave: func() error { return nil }}
	return errors.Join(h.firstBoot(ctx), h.Close())
}

func (h *Host) firstBoot(ctx context.Context) error {
	if err := h.lay(); err != nil {
		return err
	}
	plain := machine.Machine{Own: machine.Card{Kind: machine.NVMe, Serial: machine.Own}}
	if err := h.PowerOn(ctx, plain); err != nil {
		return err
	}
	looked, err := h.Run(ctx, "virsh", "capabilities")
	if err != nil {
		return err
	}
	if err := looked.Err(); err != nil {
		return err
	}
	if err := h.PowerOff(ctx); err != nil {
		return err
	}
	if output, err := exec.CommandContext(ctx, "qemu-img", "commit", "-q", h.ownDisk()).CombinedOutput(); err != nil {
		return fmt.Errorf("keep what the first boot left: %w: %s", err, output)
	}
	return nil
}
