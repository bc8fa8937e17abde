package agent

import (
	"bytes"
	"context"
	"errors"
	"fmt"
)

// Errand is a program that is sent into a guest: put there, checked, run to its end;
// the file that it leaves is fetched, and then everything is removed, however it
// went.
type Errand struct {
	Name      string                     // of the program's file
	Program   []byte                     // runs in the guest's system (System.Build)
	Arguments func(room *Room) []string  // with the room in which the program lies
	Leaves    string                     // name of the file in the room
	Most      int                        // bytes of it
	Notes     string                     // name of a file in the room to which the program adds a line now and then
	Sent      func(done, total int)      // hears how many bytes are there, and read back
	Noted     func(line string, all int) // hears the last line, and how many there are
}

// Do sends a program into the guest. A folder in which no program may be run is
// not the last that is tried.
func (g *Guest) Do(ctx context.Context, e Errand) ([]byte, error) {
	parents, err := g.Parents(ctx)
	if err != nil {
		return nil, err
	}
	var refused []error
	for _, parent := range parents {
		content, began, err := g.doIn(ctx, parent, e)
		if err == nil || began || ctx.Err() != nil || g.sync(ctx) != nil {
			return content, err
		}
		refused = append(refused, err)
	}
	return nil, errors.Join(refused...)
}

// doIn does it below a folder. It tells whether the program was begun, or may have
// been.
func (g *Guest) doIn(ctx context.Context, parent string, e Errand) (content []byte, began bool, err error) {
	room, err := g.Room(ctx, parent)
	if err != nil {
		return nil, false, err
	}
	defer func() {
		if left := room.Remove(context.WithoutCancel(ctx)); left != nil {
			began, err = true, errors.Join(err, left)
		}
	}()
	if err := room.Put(ctx, e.Name, e.Program, e.Sent); err != nil {
		return nil, false, err
	}
	p, err := g.Start(ctx, room.Join(e.Name), e.Arguments(room)...)
	if err != nil {
		if silent(err) {
			err = fmt.Errorf("%w: whether %s runs in guest %s is not known: %w", ErrLeft, e.Name, g.Name, err)
		}
		return nil, silent(err), err
	}
	ended, err := p.Wait(ctx, func() { g.notes(ctx, room, e) })
	if err != nil {
		if on := p.End(context.WithoutCancel(ctx)); on != nil {
			err = fmt.Errorf("%w; %w: %s may still run in guest %s: %w", err, ErrLeft, e.Name, g.Name, on)
		}
		return nil, true, err
	}
	if err := ended.Well(); err != nil {
		return nil, true, fmt.Errorf("%s in guest %s: %w", e.Name, g.Name, err)
	}
	content, err = g.Fetch(ctx, room.Join(e.Leaves), e.Most, func(int) {})
	return content, true, err
}

// mostNotes bounds what is read of what a program notes, in bytes.
const mostNotes = 64 << 10

// notes hands on the last whole line of what the program has noted. There may be
// nothing yet, and whoever looks at the progress of something does not end it.
func (g *Guest) notes(ctx context.Context, room *Room, e Errand) {
	if e.Notes == "" {
		return
	}
	content, err := g.Fetch(ctx, room.Join(e.Notes), mostNotes, func(int) {})
	end := bytes.LastIndexByte(content, '\n')
	if err != nil || end < 0 {
		return
	}
	whole := content[:end]
	last := whole[bytes.LastIndexByte(whole, '\n')+1:]
	e.Noted(quoted(string(bytes.ToValidUTF8(bytes.TrimSpace(last), []byte("?")))), bytes.Count(content, []byte("\n")))
}
