// Package person asks whoever carries an order out about the steps that only
// they can do, and keeps what they confirmed. Start at Desk.
package person

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"lendkeep/reconcile/step"
	"lendkeep/spec/plain"
)

// Desk asks, and hands a confirmation on to where it is kept.
type Desk struct {
	Keeps     step.Person
	In        io.Reader // nil: nobody is there to be asked
	Out       io.Writer
	Confirmed []string // guests in which every step by hand has been said to be done
}

// Confirm implements step.Person. The person types the guest's name: a key that
// is hit out of habit confirms nothing.
func (d Desk) Confirm(ctx context.Context, s *step.ByHand) error {
	if slices.Contains(d.Confirmed, s.Guest) {
		return d.Keeps.Confirm(ctx, s)
	}
	if d.In == nil {
		return fmt.Errorf("%s: nobody is there to confirm it", s.About().Does)
	}
	fmt.Fprintf(d.Out, "\n%s\n", plain.Text(s.About().Does))
	for _, line := range s.Details() {
		fmt.Fprintf(d.Out, "   %-7s %s\n", line.Head, plain.Text(line.Text))
	}
	fmt.Fprintf(d.Out, "Once that is so, type the guest's name: ")
	answer, err := Line(ctx, d.In)
	switch {
	case err != nil:
		return fmt.Errorf("%s: read answer: %w", s.About().Does, err)
	case answer != s.Guest:
		return fmt.Errorf("%s: it was not confirmed (%q is not %q)", s.About().Does, answer, s.Guest)
	}
	return d.Keeps.Confirm(ctx, s)
}

// Forget implements step.Person.
func (d Desk) Forget(ctx context.Context, s *step.ByHand) error { return d.Keeps.Forget(ctx, s) }

// Line reads one line, or returns when the context ends; the reading goes on
// then, since a terminal cannot be interrupted, and what it reads is dropped.
func Line(ctx context.Context, in io.Reader) (string, error) {
	type answer struct {
		text string
		err  error
	}
	answers := make(chan answer, 1)
	go func() {
		text, err := bufio.NewReader(oneByte{in}).ReadString('\n')
		answers <- answer{strings.TrimSpace(text), err}
	}()
	select {
	case <-ctx.Done():
		return "", ctx.Err()
	case a := <-answers:
		if err := ctx.Err(); err != nil { // both are there: what was typed after the end is no answer
			return "", err
		}
		return a.text, a.err
	}
}

// oneByte takes no more of a reader than the line: the next question reads on.
type oneByte struct{ io.Reader }

// Read implements io.Reader.
func (o oneByte) Read(p []byte) (int, error) { return o.Reader.Read(p[:min(1, len(p))]) }
