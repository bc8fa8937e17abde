package measure

import (
	"errors"
	"fmt"
	"sync/atomic"

	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
)

// ways are tried in their order: the first two keep many operations under way with
// a quarter of the processor time that threads need (measured with Linux 6.1).
var ways = []struct {
	name string
	open func(handle, int) (way, error)
}{{"io_uring", openRing}, {"libaio", openAIO}, {"threads", openThreads}}

// openWay gives the first way by which this system reads a block of the target, and
// why those before it do not.
func openWay(t *target, lanes []*lane) (way, []facts.Gap, error) {
	var gaps []facts.Gap
	for _, w := range ways {
		made, err := w.open(t.handle, deepest)
		if err == nil {
			if err = tryOut(made, t, lanes); err == nil {
				return made, gaps, nil
			}
			_ = made.close() // it is not used
		}
		if !refuses(err) {
			return nil, nil, fmt.Errorf("try out %s: %w", w.name, err)
		}
		gaps = append(gaps, gap("measuring through "+w.name, t.path, err.Error()))
	}
	return nil, nil, Problem{fmt.Errorf("this system reads %s in no way that is known: %s", t.path, gaps[len(gaps)-1].Reason),
		"measure on a filesystem of a drive"}
}

// refuses tells an error by which a kernel, or what has shut the program in, says
// that it does not have a way (io_uring_setup(2), io_setup(2)).
func refuses(err error) bool {
	for _, e := range []unix.Errno{unix.ENOSYS, unix.EPERM, unix.EACCES, unix.EINVAL, unix.EOPNOTSUPP, unix.ENOMEM, unix.EAGAIN} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

// tryOut reads the first block.
func tryOut(w way, t *target, lanes []*lane) error {
	c := course{kind: speed.Kind{Access: speed.Sequential, Deed: speed.Read, BlockBytes: 4 << 10, Depth: 1}, blocks: 1, most: 1, stopped: new(atomic.Bool)}
	return c.error(w.run(&c, lanes))
}
