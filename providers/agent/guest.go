// Package agent talks with QEMU's guest agent in a running guest: it asks what
// system that is, puts files there and fetches them, and runs programs to their
// end. What comes back is the guest's word and may be anything: every reply is
// bounded, and one that does not fit is an error. Start at Meet.
//
// The commands and what they answer are those of QEMU's qga/qapi-schema.json
// (7.2), held against the agent itself by a test.
package agent

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Channel carries one command to the agent of a guest, and its reply back; both
// are JSON, as the agent has them. An agent that does not answer within that time
// is an error that has a method Silent, which tells so; it may answer later.
type Channel interface {
	AskAgent(ctx context.Context, guest, command string, within time.Duration) (string, error)
}

// answerWithin is how long the agent is given for one command, and how much longer
// whatever is between us and it. A guest whose disk is under load is slow.
const (
	answerWithin = 20 * time.Second
	onTheWay     = 15 * time.Second
)

// Guest is a running guest whose agent answers.
type Guest struct {
	Name   string
	System System

	channel Channel
	enabled []string // commands that the agent knows and may do, sorted
	parents []string // where rooms are made; nil: where the system has them
}

// Meet gives a guest by its name once its agent has answered: what it may do, and
// what system it is in.
func Meet(ctx context.Context, channel Channel, name string) (*Guest, error) {
	g := &Guest{Name: name, channel: channel}
	err := g.sync(ctx)
	if err == nil {
		g.enabled, err = ask(ctx, g, "guest-info", nil, readCommands)
	}
	if err == nil {
		err = g.May("guest-get-osinfo")
	}
	if err == nil {
		g.System, err = ask(ctx, g, "guest-get-osinfo", nil, readSystem)
	}
	if err != nil {
		return nil, err
	}
	return g, nil
}

// Blocked is the error where an agent may not do what is needed: many systems block
// commands by default, and old agents do not know all of them.
type Blocked struct {
	Guest    string
	Commands []string
}

func (b Blocked) Error() string {
	return fmt.Sprintf("the agent of guest %s may not do %s: the guest's own settings block that, or the agent is too old for it", b.Guest, strings.Join(b.Commands, ", "))
}

// May holds that the agent knows commands and may do them; else the error is
// Blocked.
func (g *Guest) May(commands ...string) error {
	lacks := slices.DeleteFunc(slices.Clone(commands), func(c string) bool {
		_, there := slices.BinarySearch(g.enabled, c)
		return there
	})
	if len(lacks) > 0 {
		return Blocked{g.Name, lacks}
	}
	return nil
}

// syncTries is how many replies to earlier commands may be on their way still; of a
// command that was given up on there is one.
const syncTries = 8

// sync holds that the next reply is one to the next command. libvirt does the same
// before each command since it has an agent at all; this finds what is between.
func (g *Guest) sync(ctx context.Context) error {
	var last error
	for range syncTries {
		id := number()
		said, err := ask(ctx, g, "guest-sync", map[string]int64{"id": id}, readID)
		switch {
		case err == nil && said == id:
			return nil
		case err == nil:
			last = fmt.Errorf("the agent of guest %s answers to what nobody has asked", g.Name)
		case !errors.As(err, new(wrong)):
			return err
		default:
			last = err
		}
	}
	return fmt.Errorf("%w, %d times in a row; restart the agent in the guest", last, syncTries)
}

// number gives one that nobody foretells, and that every reader of JSON keeps whole.
func number() int64 {
	var drawn [8]byte
	_, _ = rand.Read(drawn[:]) // it never fails (crypto/rand since Go 1.24)
	return int64(binary.LittleEndian.Uint64(drawn[:]) >> 12)
}

// ask gives the agent one command, and the time that is left for it. Once begun it is
// not broken off: a command that is given up on in the middle was done, or not, and
// nobody knows.
func ask[T any](ctx context.Context, g *Guest, command string, arguments any, read func([]byte) (T, error)) (T, error) {
	var none T
	if err := ctx.Err(); err != nil {
		return none, fmt.Errorf("ask the agent of guest %s: %s not begun: %w", g.Name, command, err)
	}
	content, err := json.Marshal(struct {
		Execute   string `json:"execute"`
		Arguments any    `json:"arguments,omitempty"`
	}{command, arguments})
	if err != nil {
		return none, err
	}
	within := answerWithin
	if end, bounded := ctx.Deadline(); bounded {
		within = min(within, max(time.Until(end), time.Second))
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), within+onTheWay)
	defer cancel()
	reply, err := g.channel.AskAgent(ctx, g.Name, string(content), within)
	if err != nil {
		return none, err // it names guest and agent
	}
	inner, err := answer(reply)
	if err == nil {
		none, err = read(inner)
	}
	if err != nil {
		return none, fmt.Errorf("the agent of guest %s answers %s: %w", g.Name, command, err)
	}
	return none, nil
}

// silent tells whether an error is that the agent has not answered, which it may do
// later.
func silent(err error) bool {
	var said interface{ Silent() bool }
	return errors.As(err, &said) && said.Silent()
}
