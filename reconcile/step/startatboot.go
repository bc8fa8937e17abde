package step

import (
	"context"
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
)

// StartAtBoot lets the NVMe driver of an installed Windows start at boot, on a
// copy alone: the image that it was made from stays as it is.
type StartAtBoot struct {
	Target
	Guests []string     `json:"guests"` // that will start from it
	Image  string       `json:"image"`  // that the drive holds a copy of
	Table  string       `json:"table"`  // id of the image's table, by which the copy is known
	Saw    facts.Answer `json:"saw"`    // of its driver, when the order was written
	Copied bool         `json:"copied,omitempty"`
	Laid   bool         `json:"laid,omitempty"` // a later step writes the table
}

// Details tells what is written where. The values: Microsoft, CM_SERVICE start
// types, of which 0 is boot; that StartOverride goes before Start is common
// practice.
func (s *StartAtBoot) Details() []Detail {
	return []Detail{
		{"found", found(s.Saw, "")},
		{"writes", `in the registry of its Windows (\Windows\System32\config\SYSTEM), service stornvme: Start becomes 0, which is at boot`},
		{"writes", "where the service has StartOverride: its value 0 becomes 0, too"},
		{"leaves", "image " + s.Image + " as it is"},
	}
}

// About implements Step. It goes between the copy and whatever else is written,
// so that nothing of the drive is mounted yet. Once a guest has started from the
// drive, Windows may have left its volume in use or its registry elsewhere: a
// rollback does not wait for that.
func (s *StartAtBoot) About() About {
	a := About{Kind: "start at boot", Risk: Safe, Takes: tableTakes, Within: driveWithin, MayStay: true,
		Does:   "let the NVMe driver of guest " + strings.Join(s.Guests, " and of guest ") + " start at boot, on " + s.title(),
		Undoes: "put the old values of the driver's service back, byte for byte; once Windows ran from the drive they may stay as they are, which harms nothing",
		Needs:  []Condition{driveIs(s.name(), "as found"), controllerIs(s.name(), "home")},
		Gives:  []Condition{systemIs(s.name(), "starts at boot")}}
	if s.Copied {
		// Windows may have written its registry anew by then, so that nothing of it
		// could be put back; the whole copy goes.
		a.Covered, a.Undoes = true, "with the copy, of which zeroes are made again"
		a.Needs[0].Value = "copied"
		a.Needs = append(a.Needs, questionIs(facts.AsksDriver, s.Image, "as seen"))
	}
	if !s.Laid {
		a.Gives = append(a.Gives, driveIs(s.name(), "filled"))
	}
	return a
}

// Ready refuses a drive that is not the copy, and a system that is not known to
// be mended by that.
func (s *StartAtBoot) Ready(ix *facts.Index) error {
	b, content, err := s.look(ix)
	if err != nil {
		return err
	}
	if err := s.copy(content); err != nil {
		return err
	}
	if driver := ix.SystemOn(b.Name).Answer(facts.AsksDriver); !driver.Mendable {
		return fmt.Errorf("let the driver on %s start at boot: it cannot be changed in place: %s", s.title(), found(driver, "the drive"))
	}
	return s.unused(ix)
}

// copy refuses a drive that does not hold the copy, and nothing but it.
func (s *StartAtBoot) copy(content *facts.Content) error {
	if content.Unfinished != "" || content.Table.DiskIdentifier() != s.Table || s.Table == "" {
		return fmt.Errorf("let the driver on %s start at boot: it does not hold the copy of %s, but %s", s.title(), s.Image, content.Describe())
	}
	return s.plain(content)
}

// Stands implements Step, by what is read of the copy's own registry.
func (s *StartAtBoot) Stands(ix *facts.Index) (Standing, string) {
	b, content, err := s.look(ix)
	switch {
	case err != nil:
		return Neither, err.Error()
	case content.Bare() && s.Copied:
		return Before, s.title() + " is blank"
	}
	if err := s.copy(content); err != nil {
		return Neither, err.Error()
	}
	driver := ix.SystemOn(b.Name).Answer(facts.AsksDriver)
	switch driver.Says {
	case facts.Present:
		return After, found(driver, "the drive")
	case facts.Absent:
		if !s.Copied && driver.Seen != s.Saw.Seen {
			return Neither, found(driver, "the drive") + "; before it was: " + s.Saw.Seen // one word of two, after a cut-off
		}
		return Before, found(driver, "the drive")
	default:
		return Neither, found(driver, "the drive")
	}
}

func (s *StartAtBoot) Do(ctx context.Context, p Ports) error {
	return p.Starters.StartAtBoot(ctx, s.Drive, s.Keep)
}

func (s *StartAtBoot) Undo(ctx context.Context, p Ports) error {
	return s.undo(ctx, p, func() error { return p.Starters.UndoStartAtBoot(ctx, s.Drive, s.Keep) })
}

// found tells an answer in words, and who or what gave it.
func found(a facts.Answer, of string) string {
	text := a.Seen
	if a.Says == facts.Unknown {
		text = "not known: " + text
	}
	for _, by := range []string{a.Where, of} {
		if by != "" {
			text = by + ": " + text
		}
	}
	return text
}
