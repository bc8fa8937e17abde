package memory

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"

	"lendkeep/reconcile/facts"
)

// MakeImage puts a file at the path of an image, as the real one does.
func (h *Host) MakeImage(ctx context.Context, d facts.Drive, holds facts.Table, made facts.NewImage, keep string) error {
	return h.deed("make image", func() error { return h.makeImage(d, holds, made, keep) })
}

func (h *Host) makeImage(d facts.Drive, holds facts.Table, made facts.NewImage, keep string) error {
	b, content, err := h.drive(d)
	if err != nil {
		return err
	}
	p, room, err := h.roomFor(made.Path)
	switch {
	case err != nil:
		return err
	case content.Unfinished != "" || content.Table == nil || !reflect.DeepEqual(*content.Table, holds):
		return fmt.Errorf("make image %s: drive %s holds another table", made.Path, d.Serial)
	case !p.Missing && room.From == d.Serial:
		return nil
	case !p.Missing:
		return fmt.Errorf("make image %s: a file is there", made.Path)
	case room.FreeBytes < made.MostBytes():
		return fmt.Errorf("make image %s: no space left on device", made.Path)
	}
	var left []int
	for _, e := range made.Left(holds) {
		left = append(left, e.Number)
	}
	if uses := facts.NewIndex(&h.survey).UsesBut(*b.Controller, left); len(uses) > 0 {
		return fmt.Errorf("make image %s: device or resource busy: %s", made.Path, uses[0])
	}
	h.places[keep] = *p
	p.Missing, p.Resolved, p.Format = false, made.Path, made.Format
	room.From, room.Unfinished = d.Serial, false
	h.found(p)
	return nil
}

// RemoveImage takes the file away again that was made under that name.
func (h *Host) RemoveImage(ctx context.Context, made facts.NewImage, keep string) error {
	return h.deed("remove image", func() error {
		before, ours := h.places[keep]
		if !ours {
			return nil
		}
		p, room, err := h.roomFor(made.Path)
		if err != nil {
			return err
		}
		*p, room.From = before, ""
		h.found(p)
		delete(h.places, keep)
		return nil
	})
}

// roomFor gives what the survey says of where an image goes, to be changed.
func (h *Host) roomFor(image string) (*facts.Path, *facts.Room, error) {
	p := slices.IndexFunc(h.survey.Paths, func(p facts.Path) bool { return p.Named == image })
	room := slices.IndexFunc(h.survey.Rooms, func(r facts.Room) bool { return r.Path == image })
	if p < 0 || room < 0 {
		return nil, nil, errors.New("the survey does not say what is at " + image)
	}
	return &h.survey.Paths[p], &h.survey.Rooms[room], nil
}

// found has a path come and go from now on with the filesystem on which it is now.
func (h *Host) found(p *facts.Path) {
	h.origins[p.Named] = Origin{p.Named, holding(facts.NewIndex(&h.survey), p.Named), p.Missing}
}
