package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"lendkeep/providers/alarm"
	"lendkeep/providers/history"
	"lendkeep/providers/hook"
	"lendkeep/providers/libvirt"
	"lendkeep/providers/sysfs"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/watch"
	"lendkeep/spec/plain"
)

// service is a watch under way.
type service struct {
	where   *where
	folder  history.Folder
	log     zerolog.Logger
	out     io.Writer
	json    bool
	boot    string
	watcher *watch.Watcher
	rules   guard.Rules // the last good ones
	taken   map[string]bool
	// unwritten events are tried again: the watch goes on without its history.
	unwritten []watch.Event

	conn    *libvirt.Conn
	news    <-chan libvirt.News
	retry   <-chan time.Time
	backoff time.Duration
	away    error // why there is no connection

	alarms chan telling
	told   chan struct{} // closed when all alarms are told
}

// telling is an alarm for the operator's command.
type telling struct {
	command alarm.Command
	event   watch.Event
}

// maxAlarms is how many alarms wait for the operator's command.
const maxAlarms = 64

func newService(c *cobra.Command, w *where, asJSON bool) (*service, error) {
	s := &service{where: w, folder: w.history(), log: logOf(c), out: c.OutOrStdout(), json: asJSON, taken: map[string]bool{},
		alarms: make(chan telling, maxAlarms), told: make(chan struct{})}
	survey, err := s.seen(c.Context())
	if err != nil {
		return nil, err
	}
	if s.rules, err = guard.Installed(survey.Guard); err != nil {
		return nil, fail(exitUsage, "have an order install or renew them: lendkeep plan LAYOUT -o FILE, then lendkeep apply FILE", "%w", err)
	}
	s.boot = "stand-in"
	if w.standIn == "" {
		now, err := hook.Now()
		if err != nil {
			return nil, fail(exitUsage, "", "%w", err)
		}
		s.boot = now.Boot
	}
	return s, nil
}

// begin reads the history, and connects to libvirt if it is there.
func (s *service) begin(ctx context.Context) error {
	go s.tellAlarms(context.WithoutCancel(ctx))
	aside, err := s.folder.Mend()
	for _, name := range aside {
		s.loud(watch.Event{At: time.Now().UTC(), Kind: watch.Alarm, Key: "history", Text: "the history could not be read and was put aside: " + name})
	}
	if err != nil {
		return fail(exitUsage, asRoot(err), "%w", err)
	}
	events, err := s.folder.Read()
	if err != nil {
		return fail(exitUsage, asRoot(err), "%w", err)
	}
	for _, e := range events {
		s.taken[e.Note] = true
	}
	delete(s.taken, "") // most events are from no note
	s.watcher = watch.NewWatcher(watch.Fold(events))
	s.connect(ctx)
	return nil
}

// began notes that somebody watches.
func (s *service) began() {
	e := watch.Event{At: time.Now().UTC(), Kind: watch.Began}
	s.watcher.Note(e)
	s.write(e)
}

// end notes that nobody watches any more.
func (s *service) end() error {
	s.write(watch.Event{At: time.Now().UTC(), Kind: watch.Ended})
	return nil
}

// close lets go of everything, once the operator was told.
func (s *service) close() {
	close(s.alarms)
	if s.watcher != nil {
		<-s.told
	}
	if s.conn != nil {
		s.conn.Close()
	}
}

// lookWithin bounds one look: a libvirt that hangs is a gap then.
const lookWithin = 20 * time.Second

// look looks at the host and tells what has happened. It gives after how long
// to look again.
func (s *service) look(ctx context.Context) time.Duration {
	ctx, cancel := context.WithTimeout(ctx, lookWithin)
	defer cancel()
	ordered := orderUnderWay(s.where)
	survey, err := s.seen(ctx)
	if err != nil {
		if ctx.Err() == nil {
			s.log.Error().Err(err).Msg("the host could not be read")
		}
		return 0
	}
	s.takeNotes() // after the look at the host: of every lend seen there the note was left before
	sight := watch.Sight{Now: time.Now(), Boot: s.boot, Facts: facts.NewIndex(&survey), Ordered: ordered || orderUnderWay(s.where), Noteless: s.where.standIn != ""}
	rules, err := guard.Installed(survey.Guard)
	if err != nil {
		sight.RulesWrong = err.Error()
	} else {
		s.rules = rules
	}
	sight.Rules = s.rules
	events, again := s.watcher.Look(sight)
	s.write(events...)
	return again
}

// seen reads the host, libvirt first: a lend that it tells of has then left its
// traces on the host.
func (s *service) seen(ctx context.Context) (facts.Survey, error) {
	if s.where.standIn != "" {
		h, err := s.where.load(nil)
		if err != nil {
			return facts.Survey{}, err
		}
		return h.Survey(ctx)
	}
	var virtualization facts.Virtualization
	if s.conn != nil {
		virtualization = s.conn.Survey(ctx)
	} else {
		virtualization = unanswered(s.uri(), s.away)
	}
	return join(context.WithoutCancel(ctx), sysfs.Machine(), virtualization, nil) // reading files does not hang
}

// takeNotes takes over what the guard has noted. A note is dropped once it is
// in the history; one that is there already, since the last drop was cut off,
// is only dropped.
func (s *service) takeNotes() {
	notes, damaged, err := s.folder.Notes()
	if err != nil {
		s.log.Error().Err(err).Msg("the guard's notes could not be read")
	}
	for _, name := range damaged {
		s.log.Warn().Str("note", name).Msg("a note of the guard's is damaged and dropped")
	}
	names := damaged
	for _, e := range notes {
		if !s.taken[e.Note] {
			s.taken[e.Note] = true
			s.watcher.Note(e)
			s.write(e)
		}
		names = append(names, e.Note)
	}
	if len(s.unwritten) > 0 {
		return // they stay until they are in the history
	}
	if err := s.folder.Drop(names...); err != nil {
		s.log.Error().Err(err).Msg("the guard's notes could not be dropped")
	}
}

// maxUnwritten bounds what is kept in memory of a history that cannot be written.
const maxUnwritten = 1000

// write puts events into the history, prints them, and raises the alarms.
func (s *service) write(events ...watch.Event) {
	for _, e := range events {
		s.print(e)
		if e.Loud() {
			s.loud(e)
		} else {
			s.log.Info().Str("kind", string(e.Kind)).Msg(e.String())
		}
	}
	failed := len(s.unwritten) > 0
	s.unwritten = append(s.unwritten, events...)
	if extra := len(s.unwritten) - maxUnwritten; extra > 0 {
		s.unwritten = slices.Delete(s.unwritten, 0, extra)
	}
	if err := s.folder.Append(s.unwritten...); err != nil {
		if !failed {
			s.loud(watch.Event{At: time.Now().UTC(), Kind: watch.Alarm, Key: "history", Text: "the history cannot be written: " + err.Error()})
		}
		if _, err := s.folder.Mend(); err != nil {
			s.log.Error().Err(err).Msg("the history could not be mended")
		}
		return
	}
	s.unwritten = nil
}

func (s *service) print(e watch.Event) {
	if s.json {
		e.Version = watch.Version
		line, err := json.Marshal(e)
		if err == nil {
			_, _ = s.out.Write(append(plain.JSON(line), '\n')) // nobody may be listening
		}
		return
	}
	(&text{w: s.out}).line("%s  %s", stamp(e.At), e)
}

// loud logs an alarm and hands it to the operator's command.
func (s *service) loud(e watch.Event) {
	level := zerolog.ErrorLevel
	if e.Kind == watch.Over {
		level = zerolog.InfoLevel
	}
	s.log.WithLevel(level).Str("kind", string(e.Kind)).Str("controller", e.Controller).Str("guest", e.Guest).Msg(e.String())
	if len(s.rules.Alarm) == 0 {
		return
	}
	select {
	case s.alarms <- telling{s.rules.Alarm, e}:
	default:
		s.log.Error().Msg("too many alarms wait for the operator's command; this one is only logged")
	}
}

// tellAlarms runs the operator's command, one alarm after the other.
func (s *service) tellAlarms(ctx context.Context) {
	defer close(s.told)
	for t := range s.alarms {
		if err := t.command.Tell(ctx, t.event.Encode()); err != nil {
			s.log.Error().Err(err).Msg("the operator's command has failed")
		}
	}
}

// status is one line for systemctl status.
func (s *service) status() string {
	lends, alarms := s.watcher.Ledger.Lends, s.watcher.Ledger.Alarms
	return fmt.Sprintf("%d of %s lent, %s", len(lends), plain.Count(len(s.rules.Controllers), "controller"), plain.Count(len(alarms), "alarm"))
}

// notify tells systemd, where it has started the watch (sd_notify(3)).
func (s *service) notify(text string) {
	if _, err := daemon.SdNotify(false, text); err != nil {
		s.log.Warn().Err(err).Msg("systemd could not be told")
	}
}
