package holding

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strconv"
	"time"

	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// Hold opens the drives of a function for this process alone, so that nobody
// mounts or assembles anything on them until they are released, and refuses when
// somebody holds it or has it, a character device of the function, the function itself,
// or its IOMMU group open. s has at least the block devices of this machine. A drive that does
// not answer to its name any more is held by nobody.
func Hold(ctx context.Context, s *facts.Survey, at facts.Address) (release func(), err error) {
	release, err = hold(ctx, s, at)
	if !errors.Is(err, errHeld) {
		return release, err
	}
	select { // udev may be looking
	case <-ctx.Done():
		return nil, err
	case <-time.After(passing):
		return hold(ctx, s, at)
	}
}

var errHeld = errors.New("it is in use")

func hold(ctx context.Context, s *facts.Survey, at facts.Address) (release func(), err error) {
	var held []int
	letGo := func() {
		for _, fd := range held {
			_ = unix.Close(fd) // nothing was written
		}
	}
	defer func() {
		if err != nil {
			letGo()
		}
	}()
	of := map[facts.Address]bool{at: true}
	nodes, err := nodesBelow(s, of)
	if err != nil {
		return nil, err
	}
	wanted := map[node]bool{}
	for _, c := range nodes {
		wanted[c.node] = true
	}
	for _, b := range onFunction(s, at) {
		wanted[node{kind: block, at: b.Devno}] = true
		if b.Whole != "" {
			continue // who holds a drive holds its partitions (block/bdev.c, bd_may_claim)
		}
		switch fd, err := open(b); {
		case errors.Is(err, unix.ENXIO) || errors.Is(err, unix.ENODEV): // gone already
		case errors.Is(err, unix.EBUSY):
			return nil, fmt.Errorf("%w: the kernel says that somebody holds %s: it is mounted in some namespace, is swap, or belongs to a device built on it: %w", errHeld, b.Name, err)
		case err != nil:
			return nil, err
		default:
			held = append(held, fd)
		}
	}
	return letGo, unopened(ctx, wanted)
}

// onFunction gives the block devices that go with a function, those that it is
// only one of several paths to included.
func onFunction(s *facts.Survey, at facts.Address) []facts.Block {
	heads := map[string]bool{}
	for _, b := range s.Blocks {
		if b.Controller != nil && *b.Controller == at && hiddenPath(b) {
			heads[b.Holders[0]] = true
		}
	}
	var list []facts.Block
	for _, b := range s.Blocks {
		if !hiddenPath(b) && (b.Controller != nil && *b.Controller == at || heads[b.Name] || heads[b.Whole]) {
			list = append(list, b)
		}
	}
	return list
}

// unopened refuses while another process has one of these devices open.
func unopened(ctx context.Context, wanted map[node]bool) error {
	found, err := opened(ctx, wanted, process{strconv.Itoa(os.Getpid())})
	if err != nil {
		return err
	}
	for _, who := range found {
		return fmt.Errorf("%w: %s has a device of it open", errHeld, who[0].Process)
	}
	return nil
}
