package step

import (
	"context"
	"errors"
	"fmt"
	"path"
	"slices"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/place"
)

// copyRate is how much of an image is copied and read back in a second, for
// estimates. Common practice for one NVMe drive that is both read and written.
const copyRate = 400 << 20

// slowestRate is the rate below which a copy counts as stuck: a worn hard disk
// under load (common practice).
const slowestRate = 10 << 20

// CopySystem copies the installed system of a guest from its image to a blank
// drive. The image is only read, and stays.
type CopySystem struct {
	Target
	Source    facts.Source `json:"source"`
	Table     string       `json:"table"` // id of the image's table, by which the copy is known
	DataBytes uint64       `json:"data_bytes"`
	Users     []string     `json:"users,omitempty"`   // guests that have the image as a disk
	ByHand    []string     `json:"by_hand,omitempty"` // what a person confirms before

	// Rests are the answers because of which a person is not asked: what is as it
	// must be, and the driver that a later step mends.
	Rests []facts.Answer `json:"rests,omitempty"`
	Hands []facts.Matter `json:"hands,omitempty"` // what ByHand is about

	Laid   bool `json:"laid,omitempty"`   // a later step writes more of the drive
	Erased bool `json:"erased,omitempty"` // an earlier step erases what is on the drive
}

// Sound implements Checked: an order of another machine may name anything.
func (s *CopySystem) Sound() error {
	if wrong := place.Wrong(s.Source.Path); wrong != "" {
		return fmt.Errorf("image %q: %s", s.Source.Path, wrong)
	}
	return s.Target.Sound()
}

// Details lists every file that is read, since what is in it becomes part of the
// copy.
func (s *CopySystem) Details() []Detail {
	lines := []string{fmt.Sprintf("%s, %s, a disk of %s", s.Source.Path, s.Source.Format, facts.Size(s.Source.SizeBytes))}
	for _, f := range s.Source.Behind {
		line := "behind it " + f.Describe()
		if path.Dir(f.Path) != path.Dir(s.Source.Path) {
			line += ", in another folder"
		}
		lines = append(lines, line)
	}
	return details("reads", lines)
}

// About implements Step. An estimate goes by what is copied, the longest time by
// the whole image.
func (s *CopySystem) About() About {
	a := About{Kind: "copy system", Risk: Safe, Within: driveWithin,
		Does:    fmt.Sprintf("copy %s to %s and read it back", s.Source.Path, s.title()),
		Undoes:  "make zeroes of what was copied and of the drive's last MiB; what a guest has written there since is lost, the image is as it was",
		Takes:   tableTakes + time.Duration(s.DataBytes/copyRate)*time.Second,
		Longest: time.Minute + time.Duration(2*s.Source.SizeBytes/slowestRate)*time.Second,
		Needs:   []Condition{driveIs(s.name(), "blank"), controllerIs(s.name(), "home"), imageIs(s.Source.Path, "as planned")},
		Gives:   []Condition{driveIs(s.name(), "filled")}, Erases: s.erased(s.Erased), UndoErases: s.Drive.Serial}
	for _, guest := range s.Users {
		a.Needs = append(a.Needs, guestIs(guest, "off"))
	}
	for _, name := range s.ByHand {
		a.Needs = append(a.Needs, confirmationIs(name, "given"))
	}
	for _, saw := range s.Rests {
		a.Needs = append(a.Needs, questionIs(saw.Question, s.Source.Path, "as seen"))
	}
	if s.Laid {
		a.Gives = []Condition{driveIs(s.name(), "copied")}
	}
	return a
}

// Ready looks at the image once its guest is off: what a running guest does
// with it says nothing.
func (s *CopySystem) Ready(ix *facts.Index) error {
	image, err := s.image(ix)
	if err != nil {
		return err
	}
	for _, v := range image.Volumes {
		if v.Condition == facts.Hibernated {
			return fmt.Errorf("copy %s: partition %d is hibernated (%s): the system would go on from there and ruin what has changed; start the guest, shut it down in full, then plan again", s.Source.Path, v.Number, v.Why)
		}
	}
	if err := s.rests(ix); err != nil {
		return err
	}
	_, content, err := s.look(ix)
	switch {
	case err != nil:
		return err
	case content.Unfinished == s.Keep:
		return s.unused(ix) // it goes on
	}
	return errors.Join(s.blank(content, s.Erased), s.unused(ix))
}

// rests refuses an image that says now, with its guest off, that the copy would
// not start after all.
func (s *CopySystem) rests(ix *facts.Index) error {
	sight := ix.SystemIn(s.Source.Path)
	for _, q := range s.Hands {
		if now := sight.Answer(q); now.Says == facts.Absent {
			return fmt.Errorf("copy %s: %s was confirmed to be done by hand, and is not: %s; plan again", s.Source.Path, q, found(now, sight.Of))
		}
	}
	for _, saw := range s.Rests {
		if now := sight.Answer(saw.Question); now.Says == facts.Absent && !(now.Mendable && saw.Mendable) {
			return fmt.Errorf("copy %s: %s was seen to be %q, and is now %q (%s): its guest may not start from the copy; plan again", s.Source.Path, saw.Question, saw.Seen, now.Seen, now.Where)
		}
	}
	return nil
}

// image gives what the image holds, if it is the one that the order was
// written for and nobody uses it.
func (s *CopySystem) image(ix *facts.Index) (*facts.Content, error) {
	for i := range ix.Survey.Libvirt.Guests {
		if g := &ix.Survey.Libvirt.Guests[i]; g.Running && ix.Has(g, s.Source.Path) {
			return nil, fmt.Errorf("copy %s: guest %s runs and writes to it", s.Source.Path, g.Name)
		}
	}
	if _, err := ix.FormatOf(s.Source.Path, s.Source.Format); err != nil {
		return nil, fmt.Errorf("copy %s: %w", s.Source.Path, err)
	}
	image := ix.Content(s.Source.Path)
	switch {
	case image == nil:
		return nil, fmt.Errorf("copy %s: nothing was read of it", s.Source.Path)
	case len(image.Gaps) > 0:
		return nil, fmt.Errorf("copy %s: its %s is not known: %s", s.Source.Path, image.Gaps[0].Fact, image.Gaps[0].Reason)
	case image.Table.DiskIdentifier() != s.Table || image.SizeBytes != s.Source.SizeBytes || image.Format != s.Source.Format:
		return nil, fmt.Errorf("copy %s: it is not the image that the order was written for; plan again", s.Source.Path)
	case !slices.Equal(image.Behind, s.Source.Behind):
		return nil, fmt.Errorf("copy %s: what it is based on is not what the order was written for; plan again", s.Source.Path)
	}
	return image, nil
}

// Stands implements Step. The beginning of the drive is written last, so the
// image's table is there on a whole copy only.
func (s *CopySystem) Stands(ix *facts.Index) (Standing, string) {
	_, content, err := s.look(ix)
	switch {
	case err != nil:
		return Neither, err.Error()
	case content.Bare():
		return Before, s.title() + " is blank"
	case content.Signature == nil && content.Table.DiskIdentifier() == s.Table:
		return After, s.title() + " holds the system of " + s.Source.Path
	case content.Unfinished == s.Keep:
		return Neither, "the copy to " + s.title() + " has not ended"
	default:
		return Neither, s.title() + " holds " + content.Describe()
	}
}

// Do implements Step. It goes on where an earlier try was cut off.
func (s *CopySystem) Do(ctx context.Context, p Ports) error {
	survey, err := p.Survey.Survey(ctx)
	if err != nil {
		return err
	}
	image, err := s.image(facts.NewIndex(&survey))
	if err != nil {
		return err
	}
	from := s.Source
	from.Stamp = image.Stamp
	return p.Drives.Copy(ctx, from, s.Drive, s.Keep)
}

func (s *CopySystem) Undo(ctx context.Context, p Ports) error {
	return s.undo(ctx, p, func() error { return p.Drives.Empty(ctx, s.Drive, s.Source.SizeBytes, s.Keep) })
}
