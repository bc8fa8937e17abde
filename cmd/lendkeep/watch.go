package main

import (
	"context"
	"path/filepath"
	"runtime/debug"
	"time"

	"github.com/gofrs/flock"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"lendkeep/providers/files"
	"lendkeep/providers/history"
)

// Between two looks that nothing asks for: on a real host, whose libvirt tells
// of starts and ends, and on a stand-in, of which nobody tells.
const (
	lookEvery        = 30 * time.Second
	lookEveryStandIn = time.Second
)

func watchCommand() *cobra.Command {
	var w where
	var asJSON, once bool
	c := &cobra.Command{
		Use:   "watch",
		Short: "Follow every lend and return, keep the history, raise alarms",
		Long: `Follows what guests do with the controllers of the guard's rules: each lend and
each return is verified on the host and kept in the history; what is wrong is
logged and told to the command that the layout names (alarm in host). It never
refuses or changes anything: that is the guard's part, and an order's.

It runs until it is ended (SIGTERM), as a service that an order installs where
systemd runs. What happened while it did not run it finds out when it begins.`,
		Example: "  lendkeep watch\n  lendkeep watch --json\n  lendkeep watch --once     # from cron, where there is no systemd",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if err := w.exists(); err != nil {
				return err
			}
			alone, err := watchAlone(&w)
			if err != nil {
				return err
			}
			defer alone.Close()
			s, err := newService(c, &w, asJSON)
			if err != nil {
				return err
			}
			defer s.close()
			if once {
				return s.once(c.Context())
			}
			debug.SetGCPercent(100) // what Go has by itself
			return s.run(c.Context())
		},
	}
	w.flags(c, false)
	c.Flags().BoolVar(&asJSON, "json", false, "print events as JSON, one a line")
	c.Flags().BoolVar(&once, "once", false, "look until nothing is awaited any more, then end")
	return c
}

// watchLock is the file whose lock a running watch holds.
const watchLock = "watch.lock"

// watchAlone keeps a second watch of the same host out.
func watchAlone(w *where) (*flock.Flock, error) {
	return lockIn(w.keep(), watchLock, fail(exitLocked, "", "another lendkeep watches this host already"))
}

// watchRuns tells whether somebody watches the host; it makes no file.
func watchRuns(w *where) bool { return held(filepath.Join(w.keep(), watchLock)) }

// orderUnderWay tells whether an order is being carried out.
func orderUnderWay(w *where) bool { return held(filepath.Join(w.keep(), files.LockName)) }

// held tells whether another process holds a lock. For a moment nobody else can
// take it.
func held(name string) bool {
	lock := files.HeldLock(name)
	free, err := lock.TryRLock()
	if err != nil { // no such file, or not ours to read: nothing is known to run
		return false
	}
	defer lock.Close()
	return !free
}

// history gives the folder of the host's history.
func (w *where) history() history.Folder { return history.Folder{Path: w.keep()} }

// run watches until ctx ends.
func (s *service) run(ctx context.Context) error {
	if err := s.begin(ctx); err != nil {
		return err
	}
	s.began()
	s.notify("READY=1")
	every := lookEvery
	if s.where.standIn != "" {
		every = lookEveryStandIn
	}
	for ctx.Err() == nil {
		again := s.look(ctx)
		s.notify("WATCHDOG=1\nSTATUS=" + s.status())
		if again == 0 || again > every {
			again = every
		}
		s.wait(ctx, again)
	}
	s.notify("STOPPING=1")
	return s.end()
}

// settling is how long further news are waited for before a look: a start
// brings several.
const settling = 300 * time.Millisecond

// wait returns when it is time to look again: something has happened, the
// time is over, or libvirt may be back.
func (s *service) wait(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
			return
		case n, open := <-s.news:
			if !open {
				s.lost(ctx)
				return
			}
			s.log.Debug().Str("guest", n.Guest).Str("what", n.What).Msg("news of libvirt's")
			timer.Reset(min(settling, d))
		case <-s.retry:
			s.connect(ctx)
			return
		}
	}
}

// once looks until nothing is awaited.
func (s *service) once(ctx context.Context) error {
	if err := s.begin(ctx); err != nil {
		return err
	}
	if !s.watcher.Ledger.Watched {
		s.began()
	}
	for again := s.look(ctx); again > 0 && ctx.Err() == nil; again = s.look(ctx) {
		s.wait(ctx, again)
	}
	if len(s.unwritten) > 0 {
		return fail(exitPerson, "see to the folder "+s.folder.Path, "the history could not be written")
	}
	return nil
}

func logOf(c *cobra.Command) zerolog.Logger { return *zerolog.Ctx(c.Context()) }
