package holding

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// open opens a block device for this process alone, without writing and without
// starting anything up. Names move and are reused: what was opened is checked by
// its number.
func open(b facts.Block) (fd int, err error) {
	// The kernel writes ! in a device's name for what is / below /dev.
	node := "/dev/" + strings.ReplaceAll(b.Name, "!", "/")
	fd, err = unix.Open(node, unix.O_RDONLY|unix.O_EXCL|unix.O_NONBLOCK|unix.O_CLOEXEC|unix.O_NOFOLLOW, 0)
	if err != nil {
		return -1, fmt.Errorf("open %s for itself alone: %w", node, err)
	}
	var stat unix.Stat_t
	if err := unix.Fstat(fd, &stat); err != nil {
		_ = unix.Close(fd)
		return -1, fmt.Errorf("look at %s: %w", node, err)
	}
	if kind, at := kindOf(stat.Mode), devno(stat.Rdev); kind != block || at != b.Devno {
		_ = unix.Close(fd)
		return -1, fmt.Errorf("open %s for itself alone: it is not block device %s", node, b.Devno)
	}
	return fd, nil
}

// exclusive asks once whether anybody holds a device. It is let go at once, so
// that nobody's mount fails on the question. A drive that hangs may never answer:
// then the question is left behind.
func exclusive(ctx context.Context, b facts.Block) (facts.Exclusive, error) {
	done := make(chan error, 1)
	go func() {
		fd, err := open(b)
		if err == nil {
			err = unix.Close(fd)
		}
		done <- err
	}()
	var err error
	select {
	case err = <-done:
	case <-ctx.Done():
		err = fmt.Errorf("open %s for itself alone: %w", b.Name, ctx.Err())
	}
	switch {
	case errors.Is(err, unix.EBUSY):
		return facts.HeldBySomeone, nil
	case err != nil:
		return facts.NotAsked, err
	}
	return facts.HeldByNobody, nil
}

func devno(raw uint64) facts.Devno {
	return facts.Devno{Major: unix.Major(raw), Minor: unix.Minor(raw)}
}
