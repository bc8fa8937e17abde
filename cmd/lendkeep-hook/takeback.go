package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"

	"lendkeep/providers/hook"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/watch"
)

const (
	rungWithin = 90 * time.Second // the kernel gives a reset 60 s (drivers/pci/pci.c, PCIE_RESET_READY_POLL_MS)
	lookEvery  = 500 * time.Millisecond
	// What keeps a return from being looked after, an order above all, may take as
	// long as copying a system.
	passesWithin = 24 * time.Hour
	passesEvery  = 5 * time.Second
)

// takeBack goes on where release has stopped, in a process of its own that
// nobody waits for: it looks until everything is back and mounted, and climbs
// the ladder for what is not back within its limit. What keeps it from looking, as
// an order does, it waits out. Whatever happens is in the system's log, each rung
// with its time.
func takeBack(guest string, from io.Reader, here surroundings) {
	_, call, err := about(guest, from)
	if err != nil {
		return
	}
	done, err := here.grants.Queue(guest, func() { here.wait(passesEvery) }, int(passesWithin/passesEvery))
	if err != nil {
		return // another one has yet to look, and sees what this one would
	}
	defer done()
	c := recoveries{surroundings: here, guest: guest, began: here.now(), looked: here.now(), each: map[awaited]*recovery{}}
	mounted := []string{}
	for {
		seen, err := here.once(call, c.act)
		mounted = append(mounted, seen.mounted...)
		switch {
		case errors.Is(err, errOwned):
			here.note(watch.Event{At: here.now().UTC(), Kind: watch.Released, Guest: guest})
			return
		case passes(err) && here.now().Sub(c.began) < passesWithin:
			here.wait(passesEvery)
			c.lookAnew()
			continue
		case err != nil:
			here.tell(guest, "what it borrowed is no longer waited for: %v; lendkeep plan LAYOUT -o FILE writes the order that mends it", err)
			here.noteReturn(guest, c.began, mounted, guard.Return{Wrong: []string{err.Error()}}, "")
			return
		}
		c.tellOf(seen.Wait)
		if !c.goesOn(seen.Wait) {
			here.wrong(guest, seen.Words())
			seen.Wrong, seen.Left = append(c.failed, seen.Wrong...), append(c.owed, seen.Left...)
			here.noteReturn(guest, c.began, mounted, seen.Return, strings.Join(c.helped, ", "))
			return
		}
		here.wait(lookEvery)
	}
}

// recoveries bring back each controller of a guest, each by itself.
type recoveries struct {
	surroundings
	guest  string
	began  time.Time
	looked time.Time // since when it could look: limits count from then
	each   map[awaited]*recovery
	helped []string // the last rungs of those that came back
	failed []string // what was given up, in words
	owed   []string // likewise, of what the host's own configuration has not set up
}

// awaited is what comes by one way: a controller, or what the host's own configuration
// sets up on it.
type awaited struct {
	controller string
	own        bool
}

func waitFor(m guard.Missing) awaited { return awaited{m.Controller.Controller, m.Own} }

// recovery is how far one controller has come.
type recovery struct {
	guard.Ladder
	since time.Time
	ended bool
}

func (c *recoveries) of(m guard.Missing) *recovery {
	made, known := c.each[waitFor(m)]
	if !known {
		made = &recovery{since: c.looked}
		if m.Own { // which begins once the controller is there
			made.since = c.now()
		}
		c.each[waitFor(m)] = made
	}
	return made
}

// lookAnew begins the limits anew, once nobody could look for a while.
func (c *recoveries) lookAnew() {
	c.looked = c.now()
	for _, made := range c.each {
		made.since = c.looked
	}
}

// act does the next rung for every controller whose time is over. A probe does
// nothing but ask, and libvirt is through with the function: it does not wait.
func (c *recoveries) act(ix *facts.Index, missing []guard.Missing) {
	for _, m := range missing {
		made := c.of(m)
		if made.ended {
			continue
		}
		over := c.now().Sub(made.since) >= m.Within
		next := guard.Attempt{End: "it does not appear"}
		if m.Drive {
			next = made.Next(ix, m.Controller)
		}
		switch {
		case next.Rung == guard.Probe || next.Rung != "" && over:
			c.do(made, m, next)
		case m.Own && over:
			made.ended = true
			c.owed = append(c.owed, m.What)
		case next.Rung == "" && over:
			made.ended = true
			text := fmt.Sprintf("%s%s: %s", m.What, strings.Join(append([]string{""}, made.Told...), ", "), next.End)
			c.failed = append(c.failed, text)
			c.tell(c.guest, "%s", text)
		}
	}
}

func (c *recoveries) do(made *recovery, m guard.Missing, next guard.Attempt) {
	begin := c.now()
	_ = made.Do(context.Background(), bounded{c.rungs}, next, c.now) // its words say so
	c.tell(c.guest, "%s %s after its end; %s", m.What, begin.Sub(c.began).Round(time.Second), made.Told[len(made.Told)-1])
	made.since = c.now()
}

// bounded does each rung within its time.
type bounded struct{ guard.Recovery }

// Recover implements guard.Recovery.
func (b bounded) Recover(_ context.Context, at facts.Address, by guard.Rung) error {
	_, err := within(bound{rungWithin, time.Second}, string(by), func(ctx context.Context) (struct{}, error) {
		return struct{}{}, b.Recovery.Recover(ctx, at, by)
	})
	return err
}

// tellOf tells of controllers that have come back.
func (c *recoveries) tellOf(waiting []guard.Missing) {
	missing := map[awaited]bool{}
	for _, m := range waiting {
		missing[waitFor(m)] = true
	}
	for what, made := range c.each {
		if !missing[what] {
			said := fmt.Sprintf("controller %s is back after %s", what.controller, c.now().Sub(c.began).Round(100*time.Millisecond))
			if what.own {
				said = "the host has set up controller " + what.controller + " again"
			}
			if last := made.Last(); last != "" {
				c.helped = append(c.helped, string(last))
			}
			c.tell(c.guest, "%s", strings.Join(append([]string{said}, made.Told...), ", "))
			delete(c.each, what)
		}
	}
}

func (c *recoveries) goesOn(missing []guard.Missing) bool {
	for _, m := range missing {
		if !c.of(m).ended {
			return true
		}
	}
	return false
}

// takeBackLater has a process of its own take back what a guest had borrowed.
func takeBackLater(guest, definition string) error {
	return detach(definition, append([]string{guest}, strings.Fields(opTakeBack)...)...)
}

// detach starts this program again with that on its standard input, in a session
// of its own and with none of libvirt's pipes: libvirt waits until they are closed
// (measured with libvirt 9.0.0). libvirt's services end without their children
// (KillMode=process), so it outlives a restart of them.
func detach(input string, arguments ...string) error {
	if err := os.MkdirAll(hook.GrantsFolder, 0o700); err != nil {
		return err
	}
	from, err := os.CreateTemp(hook.GrantsFolder, "input-")
	if err != nil {
		return err
	}
	defer from.Close()
	defer os.Remove(from.Name())
	if _, err := from.WriteString(input); err != nil {
		return err
	}
	if _, err := from.Seek(0, io.SeekStart); err != nil {
		return err
	}
	self, err := os.Executable()
	if err != nil {
		return err
	}
	command := exec.Command(self, arguments...)
	command.Stdin, command.Dir = from, "/"
	command.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	return command.Start()
}
