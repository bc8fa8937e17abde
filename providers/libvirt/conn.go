//go:build libvirt_dlopen

package libvirt

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"

	"libvirt.org/go/libvirt"
)

// ErrMissing says that libvirt's library is not on this machine.
var ErrMissing = errors.New("libvirt's library libvirt.so.0 is not on this machine; install it (Debian package libvirt0)")

// Conn is a connection to libvirt. Its methods may be called from several
// goroutines.
type Conn struct {
	libvirt *libvirt.Connect
	uri     string

	mu     sync.Mutex
	calls  int // under way, those given up on included
	closed bool
}

// Open connects to the libvirt at a URI, "qemu:///system".
func Open(uri string) (*Conn, error) {
	if os.Getenv("LIBVIRT_DEBUG") == "" && os.Getenv("LIBVIRT_LOG_OUTPUTS") == "" {
		// Else the library writes warnings to stderr, where lendkeep's own log
		// is; what matters it gives as an error too (libvirt logging
		// documentation; 4 is errors alone).
		os.Setenv("LIBVIRT_DEBUG", "4")
	}
	c, err := libvirt.NewConnect(uri)
	if err != nil {
		return nil, explain("connect to libvirt at "+uri, found(err))
	}
	return &Conn{libvirt: c, uri: uri}, nil
}

// found tells a missing library from a libvirt that refuses. The binding gives
// both as a libvirt.Error; that of dlopen names the file (measured: "Failed to
// open libvirt.so.0").
func found(err error) error {
	var said libvirt.Error
	if errors.As(err, &said) && said.Domain == libvirt.FROM_NONE && strings.Contains(said.Message, "libvirt.so.0") {
		return ErrMissing
	}
	return err
}

// Close ends the connection, once every call has come back: libvirt would
// crash under one that is still waiting.
func (c *Conn) Close() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return
	}
	c.closed = true
	if c.calls == 0 {
		c.libvirt.Close()
	}
}

// begin counts a call, and refuses it after Close.
func (c *Conn) begin() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return errors.New("the connection is closed")
	}
	c.calls++
	return nil
}

func (c *Conn) end() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.calls--
	if c.closed && c.calls == 0 {
		c.libvirt.Close()
	}
}

// call does something that may block for as long as libvirt likes, since it
// knows no deadlines. When ctx ends first, nobody knows whether it was done,
// and what the deed still answers is thrown away.
func call[T any](ctx context.Context, c *Conn, what string, deed func() (T, error)) (T, error) {
	var none T
	if err := ctx.Err(); err != nil {
		return none, fmt.Errorf("%s: not begun: %w", what, err)
	}
	if err := c.begin(); err != nil {
		return none, fmt.Errorf("%s: %w", what, err)
	}
	type answer struct {
		value T
		err   error
	}
	done := make(chan answer, 1)
	go func() {
		defer c.end()
		value, err := deed()
		done <- answer{value, err}
	}()
	select {
	case a := <-done:
		return a.value, explain(what, a.err)
	case <-ctx.Done():
		return none, fmt.Errorf("%s: libvirt has not answered, so that nobody knows whether it was done: %w", what, ctx.Err())
	}
}

// ask asks something of a guest.
func ask[T any](ctx context.Context, c *Conn, what, name string, deed func(*libvirt.Domain) (T, error)) (T, error) {
	return call(ctx, c, what+" "+name, func() (answer T, err error) {
		g, err := c.libvirt.LookupDomainByName(name)
		if err != nil {
			return answer, err
		}
		defer g.Free()
		return deed(g)
	})
}

// on does something to a guest.
func (c *Conn) on(ctx context.Context, what, name string, deed func(*libvirt.Domain) error) error {
	_, err := ask(ctx, c, what, name, func(g *libvirt.Domain) (struct{}, error) { return struct{}{}, deed(g) })
	return err
}
