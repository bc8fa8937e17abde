//go:build libvirt_dlopen

package libvirt

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"libvirt.org/go/libvirt"
)

// News is what libvirt has told of a guest.
type News struct {
	Guest string
	What  string // "started", "stopped", "device added", ...
}

// How often a libvirt that is reached by a socket is asked whether it is still
// there, in seconds, and how many answers may be missing.
const (
	askAlive   = 5
	maxMissing = 3
)

// OpenToFollow connects as Open does, so that Follow can be used.
func OpenToFollow(uri string) (*Conn, error) {
	// libvirt gives events to connections alone that were opened after the loop
	// was there (libvirt, virEventRegisterDefaultImpl).
	if err := eventLoop(); err != nil {
		return nil, explain("follow libvirt", found(err))
	}
	return Open(uri)
}

// eventLoop runs libvirt's own event loop from its first use to the end of the
// process.
var eventLoop = sync.OnceValue(func() error {
	if err := libvirt.EventRegisterDefaultImpl(); err != nil {
		return err
	}
	go func() {
		for {
			if err := libvirt.EventRunDefaultImpl(); err != nil {
				time.Sleep(time.Second) // it is not to eat a processor
			}
		}
	}()
	return nil
})

// maxNews is how many news wait to be read. More are dropped: whoever reads
// looks at the host anyway, and there is always one left to be read.
const maxNews = 64

// Follow gives news of guests until ctx or the connection ends, which closes
// the channel.
func (c *Conn) Follow(ctx context.Context) (<-chan News, error) {
	f := &follower{conn: c, news: make(chan News, maxNews), lost: make(chan struct{})}
	if _, err := call(ctx, c, "follow guests", func() (struct{}, error) { return struct{}{}, f.register() }); err != nil {
		return nil, err
	}
	if err := c.begin(); err != nil {
		return nil, fmt.Errorf("follow guests: %w", err)
	}
	go func() {
		defer c.end()
		select {
		case <-ctx.Done():
		case <-f.lost:
		}
		f.close()
	}()
	return f.news, nil
}

// follower is one Follow under way.
type follower struct {
	conn      *Conn
	callbacks []int
	lost      chan struct{}
	once      sync.Once

	mu     sync.Mutex
	closed bool
	news   chan News
}

func (f *follower) tell(d *libvirt.Domain, what string) {
	name, err := d.GetName() // the library knows it without asking
	if err != nil {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.closed {
		return
	}
	select {
	case f.news <- News{name, what}:
	default:
	}
}

func (f *follower) register() error {
	c := f.conn.libvirt
	add := func(id int, err error) error {
		if err == nil {
			f.callbacks = append(f.callbacks, id)
		}
		return err
	}
	err := add(c.DomainEventLifecycleRegister(nil, func(_ *libvirt.Connect, d *libvirt.Domain, e *libvirt.DomainEventLifecycle) {
		f.tell(d, lifecycle[e.Event])
	}))
	if err != nil {
		return err
	}
	// Plugged devices, and the end of the connection: what has no such news is
	// looked at from time to time.
	err = add(c.DomainEventDeviceAddedRegister(nil, func(_ *libvirt.Connect, d *libvirt.Domain, _ *libvirt.DomainEventDeviceAdded) {
		f.tell(d, "device added")
	}))
	if err == nil {
		err = add(c.DomainEventDeviceRemovedRegister(nil, func(_ *libvirt.Connect, d *libvirt.Domain, _ *libvirt.DomainEventDeviceRemoved) {
			f.tell(d, "device removed")
		}))
	}
	if err == nil {
		err = c.RegisterCloseCallback(func(*libvirt.Connect, libvirt.ConnectCloseReason) { f.once.Do(func() { close(f.lost) }) })
	}
	if err == nil {
		err = c.SetKeepAlive(askAlive, maxMissing)
	}
	if errors.Is(err, libvirt.ERR_NO_SUPPORT) {
		return nil
	}
	return err
}

// close lets go of libvirt first: whoever sees the channel closed may follow anew,
// and libvirt takes one of each callback from a connection.
func (f *follower) close() {
	f.mu.Lock()
	f.closed = true
	f.mu.Unlock()
	for _, id := range f.callbacks {
		_ = f.conn.libvirt.DomainEventDeregister(id) // of a lost connection none is left
	}
	_ = f.conn.libvirt.UnregisterCloseCallback() // as above
	close(f.news)
}

// lifecycle gives words for what happens to a guest.
var lifecycle = map[libvirt.DomainEventType]string{
	libvirt.DOMAIN_EVENT_DEFINED:     "defined",
	libvirt.DOMAIN_EVENT_UNDEFINED:   "undefined",
	libvirt.DOMAIN_EVENT_STARTED:     "started",
	libvirt.DOMAIN_EVENT_SUSPENDED:   "paused",
	libvirt.DOMAIN_EVENT_RESUMED:     "resumed",
	libvirt.DOMAIN_EVENT_STOPPED:     "stopped",
	libvirt.DOMAIN_EVENT_SHUTDOWN:    "shut down",
	libvirt.DOMAIN_EVENT_PMSUSPENDED: "asleep",
	libvirt.DOMAIN_EVENT_CRASHED:     "crashed",
}
