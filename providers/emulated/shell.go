package emulated

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"

	"golang.org/x/term"
)

// Shell boots a machine and gives this program's terminal to a shell in it,
// until that is left.
func Shell(ctx context.Context, m Machine, say io.Writer) (err error) {
	h, err := enter(ctx, "", say)
	if err != nil {
		return err
	}
	h.terminal = filepath.Join(h.folder, "terminal")
	fmt.Fprintln(say, "booting; leave the shell to switch the host off")
	if h, err = h.begin(ctx, m); err != nil {
		return err
	}
	return errors.Join(h.Attach(ctx, os.Stdin, os.Stdout), h.Close())
}

// Attach gives what is typed to the host's shell, and shows what that says, until
// it is left, which switches the host off. A terminal passes on every key meanwhile.
func (h *Host) Attach(ctx context.Context, in io.Reader, out io.Writer) (err error) {
	conn, err := new(net.Dialer).DialContext(ctx, "unix", h.terminal)
	if err != nil {
		return fmt.Errorf("attach to the host's shell: %w", err)
	}
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	if file, ok := in.(*os.File); ok && term.IsTerminal(int(file.Fd())) {
		was, err := term.MakeRaw(int(file.Fd()))
		if err != nil {
			return fmt.Errorf("attach to the host's shell: %w", err)
		}
		defer func() { err = errors.Join(err, term.Restore(int(file.Fd()), was)) }()
	}
	// Its first prompt was said when nobody was there.
	if _, err := io.WriteString(conn, "\n"); err != nil {
		return fmt.Errorf("attach to the host's shell: %w", err)
	}
	go func() { _, _ = io.Copy(conn, in) }() // ends with the program, or the connection
	if _, err := io.Copy(out, conn); err != nil && ctx.Err() == nil {
		return fmt.Errorf("attach to the host's shell: %w", err)
	}
	return ctx.Err()
}
