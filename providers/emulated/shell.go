package emulated

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
)

// Shell boots a machine and gives this program's terminal to a shell in it,
// until that is left.
func Shell(ctx context.Context, m Machine, say io.Writer) (err error) {
	h, err := enter(ctx, "", say)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.Close()) }()
	if err := h.lay(); err != nil {
		return err
	}
	fmt.Fprintln(say, "booting; leave the shell to switch the host off")
	if err := h.boot(ctx, m, os.Stdin); err != nil {
		return err
	}
	select {
	case <-h.up.Load().qemu.ended:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
