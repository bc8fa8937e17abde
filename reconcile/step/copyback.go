package step

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/place"
)

// Images makes images of what is on drives.
type Images interface {
	// MakeImage copies the partitions of an image's table from a drive to a new
	// file and reads it back. The drive must hold exactly that table, nobody may use
	// those partitions, and nothing may be at the path, which shows the file only
	// once all of it is there. Called again, it goes on with what it began.
	MakeImage(ctx context.Context, d facts.Drive, holds facts.Table, made facts.NewImage, keep string) error
	// RemoveImage removes what MakeImage made under that name, whole or not, and
	// nothing else: neither another file at the path nor one that was written since.
	RemoveImage(ctx context.Context, made facts.NewImage, keep string) error
}

// CopyBack copies the installed system on a drive to a new image. The drive is only
// read, and stays.
type CopyBack struct {
	Target
	Guest  string         `json:"guest"` // whose disk it becomes
	Before facts.Table    `json:"table"` // of the drive
	Image  facts.NewImage `json:"image"`
	On     []string       `json:"on,omitempty"` // mount of the layout on which the image lies
}

// Sound implements Checked: an order of another machine may name anything.
func (s *CopyBack) Sound() error {
	if err := s.Target.Sound(); err != nil {
		return err
	}
	made, err := facts.ImageOf(s.Image.Path, s.Image.Format, s.Before, s.Image.Table.Entries)
	switch {
	case err != nil:
		return fmt.Errorf("image %s: %w", s.Image.Path, err)
	case !reflect.DeepEqual(made, s.Image):
		return fmt.Errorf("image %s: its table is not what comes of the drive's", s.Image.Path)
	case place.Wrong(s.Image.Path) != "":
		return fmt.Errorf("image %q: %s", s.Image.Path, place.Wrong(s.Image.Path))
	case s.Image.Format != "raw" && s.Image.Format != "qcow2":
		return fmt.Errorf("image %s: nobody makes the format %q", s.Image.Path, s.Image.Format)
	case s.Drive.SectorBytes != 512:
		return fmt.Errorf("image %s: the drive counts in sectors of %d bytes", s.Image.Path, s.Drive.SectorBytes)
	}
	return nil
}

// About implements Step. An estimate goes by all that may have to be copied.
func (s *CopyBack) About() About {
	bytes := s.Image.MostBytes()
	a := About{Kind: "copy drive to image", Risk: Safe, Within: driveWithin,
		Does:    fmt.Sprintf("copy the system on %s to the new image %s and read it back", s.title(), s.Image.Path),
		Undoes:  "remove the image; where a guest has written to it since, it stays, and a person decides",
		Takes:   tableTakes + time.Duration(bytes/copyRate)*time.Second,
		Longest: time.Minute + time.Duration(2*bytes/slowestRate)*time.Second,
		Needs:   []Condition{controllerIs(s.name(), "home"), madeIs(s.Image.Path, "absent"), guestIs(s.Guest, "off")},
		Gives:   []Condition{madeIs(s.Image.Path, "whole")}}
	for _, path := range s.On {
		a.Needs = append(a.Needs, mountIs(path, "mounted"))
	}
	return a
}

// Details lists what becomes part of the image, and what does not.
func (s *CopyBack) Details() []Detail {
	lines := []string{fmt.Sprintf("%s, a disk of %s", s.Image.Format, facts.Size(s.Image.SizeBytes))}
	list := details("makes", lines)
	for _, e := range s.Image.Table.Entries {
		list = append(list, Detail{"copies", said(e)})
	}
	for _, e := range s.Image.Left(s.Before) {
		list = append(list, Detail{"leaves", said(e)})
	}
	return list
}

func said(e facts.Entry) string {
	text := fmt.Sprintf("partition %d", e.Number)
	if e.Name != "" {
		text += " " + e.Name
	}
	_, size := e.Span(512)
	return text + ", " + facts.Size(size)
}

// Ready implements Step: where the image goes there is nothing, and room; the drive
// holds what the order was written for, in a state to be copied, and nobody uses it.
func (s *CopyBack) Ready(ix *facts.Index) error {
	room, _, err := s.there(ix)
	if err == nil {
		err = errors.Join(s.readable(ix), s.idle(ix))
	}
	if err == nil && !room.Unfinished && room.FreeBytes < s.Image.MostBytes() {
		err = fmt.Errorf("it takes up to %s, and %s are free", facts.Size(s.Image.MostBytes()), facts.Size(room.FreeBytes))
	}
	if err != nil {
		return fmt.Errorf("make image %s: %w", s.Image.Path, err)
	}
	return nil
}

// readable says why the drive is not what is to be copied.
func (s *CopyBack) readable(ix *facts.Index) error {
	_, content, err := s.look(ix)
	switch {
	case err != nil:
		return err
	case content.Unfinished != "" || content.Signature != nil || content.Table == nil || !reflect.DeepEqual(*content.Table, s.Before):
		return fmt.Errorf("%s holds %s, which is not what the order was written for; plan again", s.title(), content.Describe())
	}
	for _, e := range s.Image.Table.Entries {
		if v := content.Volume(e.Number); v != nil && v.Condition == facts.Hibernated {
			return fmt.Errorf("partition %d is hibernated (%s): the system would go on from there and ruin what has changed; start its guest, shut it down in full, then plan again", e.Number, v.Why)
		}
	}
	return nil
}

// idle says who uses what is copied, or would.
func (s *CopyBack) idle(ix *facts.Index) error {
	where, f, _ := ix.Where(s.Controller)
	if where != facts.Home {
		return fmt.Errorf("%s is %s, not home", s.name(), where)
	}
	if g := ix.Guest(s.Guest); g != nil && g.Running {
		return fmt.Errorf("guest %s is %s", s.Guest, g.Condition)
	}
	var left []int
	for _, e := range s.Image.Left(s.Before) {
		left = append(left, e.Number)
	}
	if uses := ix.UsesBut(f.Address, left); len(uses) > 0 {
		return fmt.Errorf("what would be copied is in use: %s", uses[0])
	}
	if why := ix.Unasked(f.Address); why != "" {
		return errors.New(why)
	}
	for _, path := range s.On {
		if ix.MountAt(path) == nil {
			return fmt.Errorf("nothing is mounted at %s, where it belongs", path)
		}
	}
	return nil
}

// there gives what is known of the image's place, and what stands there.
func (s *CopyBack) there(ix *facts.Index) (*facts.Room, Standing, error) {
	p, room := ix.Path(s.Image.Path), ix.Room(s.Image.Path)
	switch {
	case p == nil || room == nil:
		return nil, Neither, errors.New("nobody looked where it goes")
	case room.Gap != "" || p.Gap != "":
		return nil, Neither, fmt.Errorf("where it goes is not known: %s%s", room.Gap, p.Gap)
	case room.Unfinished:
		return room, Neither, nil
	case p.Missing:
		return room, Before, nil
	case room.From == s.Drive.Serial:
		return room, After, nil
	}
	return nil, Neither, errors.New("another file is there")
}

// MayUndo implements Step: a file that a guest has as a disk is not taken away.
func (s *CopyBack) MayUndo(ix *facts.Index) error {
	for i := range ix.Survey.Libvirt.Guests {
		g := &ix.Survey.Libvirt.Guests[i]
		if ix.Has(g, s.Image.Path) && (g.Running || g.Name != s.Guest) {
			return fmt.Errorf("remove image %s: guest %s has it as a disk, and is %s", s.Image.Path, g.Name, g.Condition)
		}
	}
	return nil
}

// Stands implements Step. The file gets its name once all of it was read back.
func (s *CopyBack) Stands(ix *facts.Index) (Standing, string) {
	_, standing, err := s.there(ix)
	switch {
	case err != nil:
		return Neither, "image " + s.Image.Path + ": " + err.Error()
	case standing == Before:
		return Before, s.Image.Path + " is not there"
	case standing == After:
		return After, s.Image.Path + " was made of " + s.title()
	}
	return Neither, "the copy to " + s.Image.Path + " has not ended"
}

// Do implements Step. It goes on where an earlier try was cut off.
func (s *CopyBack) Do(ctx context.Context, p Ports) error {
	return p.Images.MakeImage(ctx, s.Drive, s.Before, s.Image, s.Keep)
}

// Undo implements Step.
func (s *CopyBack) Undo(ctx context.Context, p Ports) error {
	return p.Images.RemoveImage(ctx, s.Image, s.Keep)
}

// Makes gives the path of each image that earlier steps make for a guest.
func Makes(steps []Written, guest string) []string {
	var list []string
	for _, w := range steps {
		if s, ok := w.Step.(*CopyBack); ok && s.Guest == guest && !slices.Contains(list, s.Image.Path) {
			list = append(list, s.Image.Path)
		}
	}
	return list
}
