package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
)

// lookWithin bounds how long a guest is asked about its system; one command that is
// under way then may take a second longer.
const lookWithin = 45 * time.Second

// Installed asks a running guest whether its installed system would start from an NVMe
// drive. Nothing is written there and nothing stays. Whatever was not seen is not
// known, with its reason; where nobody answers, Gap says so.
func Installed(ctx context.Context, channel Channel, name string) facts.Installed {
	ctx, cancel := context.WithTimeout(ctx, lookWithin)
	defer cancel()
	i := facts.Installed{Guest: name}
	g, err := Meet(ctx, channel, name)
	if err != nil {
		i.Gap = unmet(err)
		return i
	}
	i.AskedAt, i.Name = time.Now().UTC().Truncate(time.Second), g.System.Name
	l := &look{ctx: ctx, g: g, listed: map[string]listing{}, mounts: map[string][]string{}}
	switch g.System.Kind {
	case Linux:
		i.Kind, i.Gap = "linux", l.lacks("guest-file-open", "guest-file-read", "guest-file-close")
		if i.Gap == "" {
			i.Answers = l.linux()
		}
	case Windows:
		i.Kind, i.Gap = "windows", l.lacks("guest-exec", "guest-exec-status")
		if i.Gap == "" {
			i.Answers = l.windows()
		}
	default:
		i.Gap = ErrStrange.Error()
	}
	return i
}

// unmet says why a guest could not be asked. An agent that answers, but not this, is
// none that is missing.
func unmet(err error) string {
	if errors.As(err, new(Blocked)) || errors.As(err, new(wrong)) || errors.As(err, new(Refused)) {
		return quoted(err.Error())
	}
	return quoted("no agent: " + err.Error())
}

// look is one under way.
type look struct {
	ctx    context.Context
	g      *Guest
	over   error // why nothing more is asked
	listed map[string]listing
	mounts map[string][]string // fields of findmnt, by folder
}

// lacks says which commands the guest does not let be done; empty: none.
func (l *look) lacks(commands ...string) string {
	if err := l.g.May(commands...); err != nil {
		return err.Error()
	}
	return ""
}

// still says why nothing more may be asked. An agent that was silent once is not asked
// again: each of its silences takes as long as a look.
func (l *look) still(err error) error {
	if l.over == nil && err != nil && silent(err) {
		l.over = err
	}
	if l.over == nil && l.ctx.Err() != nil {
		l.over = fmt.Errorf("the guest was asked for %s, and is not asked longer", lookWithin)
	}
	return l.over
}

// read reads a file of the guest's.
func (l *look) read(path string, most int) ([]byte, error) {
	if err := l.still(nil); err != nil {
		return nil, err
	}
	content, err := l.g.Fetch(l.ctx, path, most, func(int) {})
	_ = l.still(err)
	return content, err
}

// run runs a program that only reads to its end, whatever its code is. One that does
// not end in time is ended.
func (l *look) run(program string, arguments ...string) (Ended, error) {
	if err := l.still(nil); err != nil {
		return Ended{}, err
	}
	if err := l.g.May("guest-exec", "guest-exec-status"); err != nil {
		return Ended{}, err
	}
	ctx, cancel := context.WithTimeout(l.ctx, runWithin)
	defer cancel()
	p, err := l.g.Start(ctx, program, arguments...)
	if err == nil {
		var ended Ended
		if ended, err = p.Wait(ctx, func() {}); err == nil {
			return ended, nil
		}
		if ctx.Err() != nil {
			last, done := context.WithTimeout(context.WithoutCancel(l.ctx), endWithin)
			defer done()
			err = errors.Join(err, p.End(last))
		}
	}
	_ = l.still(err)
	return Ended{}, err
}

// endWithin is how long a program that was too slow is given to end.
const endWithin = 5 * time.Second

// out runs a program that must end well, and gives all that it said.
func (l *look) out(program string, arguments ...string) ([]byte, error) {
	ended, err := l.run(program, arguments...)
	if err == nil {
		err = ended.Well()
	}
	if err == nil && ended.Cut {
		err = errors.New("it said more than the agent keeps")
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", program, err)
	}
	return ended.Out, nil
}

// open answers that a question is not known, and why.
func open(q facts.Matter, where string, why error) facts.Answer {
	return facts.Answer{Question: q, Says: facts.Unknown, Where: where, Seen: quoted(why.Error())}
}
