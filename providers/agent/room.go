package agent

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"sync"
)

// Room is a folder of our own in a guest, under a name that nobody there could
// foretell. Whatever is in it goes with it.
type Room struct {
	Path  string
	guest *Guest
}

// Needs are the commands without which there is no room.
var Needs = []string{"guest-exec", "guest-exec-status", "guest-file-open", "guest-file-close", "guest-file-read", "guest-file-write", "guest-file-flush"}

// Parents lists folders in which a room can be made, the one that serves most often
// first: some systems let no program be run in one of them (mount(8), noexec).
func (g *Guest) Parents(ctx context.Context) ([]string, error) {
	if err := g.May(Needs...); err != nil {
		return nil, err
	}
	switch {
	case g.parents != nil:
		return g.parents, nil
	case g.System.Kind == Linux:
		return []string{"/var/tmp", "/tmp", "/root"}, nil
	case g.System.Kind == Windows:
		ended, err := g.Run(ctx, "cmd.exe", "/d", "/c", "echo %SystemRoot%")
		if err != nil {
			return nil, err
		}
		root := strings.TrimSpace(string(ended.Out))
		if !windowsFolder().MatchString(root) {
			return nil, fmt.Errorf("guest %s says its system is in %q, which is no folder of Windows", g.Name, quoted(root))
		}
		return []string{root + `\Temp`}, nil
	}
	return nil, fmt.Errorf("guest %s: %w", g.Name, ErrStrange)
}

// windowsFolder is a name that means nothing to cmd.exe.
var windowsFolder = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[A-Za-z]:(\\[A-Za-z0-9_.-]+)+$`) })

// Room makes a room in a folder.
func (g *Guest) Room(ctx context.Context, parent string) (*Room, error) {
	r := &Room{guest: g}
	r.Path = r.join(parent, "lendkeep-"+strings.ToLower(rand.Text()))
	// Neither makes what is there already.
	program, arguments := "mkdir", []string{"-m", "0700", "--", r.Path}
	if g.System.Kind == Windows {
		program, arguments = "cmd.exe", []string{"/d", "/c", "mkdir", r.Path}
	}
	if _, err := g.Run(ctx, program, arguments...); err != nil {
		err = fmt.Errorf("make folder %s in guest %s: %w", r.Path, g.Name, err)
		if silent(err) || ctx.Err() != nil { // it may have been made
			err = errors.Join(err, r.Remove(context.WithoutCancel(ctx)))
		}
		return nil, err
	}
	return r, nil
}

func (r *Room) join(folder, name string) string {
	if r.guest.System.Kind == Windows {
		return folder + `\` + name
	}
	return folder + "/" + name
}

// Join gives the path of a file in the room.
func (r *Room) Join(name string) string { return r.join(r.Path, name) }

// Put puts a program into the room, and reads it back: what is started is what was
// put. told hears how many bytes have gone either way.
func (r *Room) Put(ctx context.Context, name string, content []byte, told func(done, total int)) error {
	path, total := r.Join(name), 2*len(content)
	if err := r.guest.write(ctx, path, content, func(done int) { told(done, total) }); err != nil {
		return err
	}
	if r.guest.System.Kind == Linux {
		if _, err := r.guest.Run(ctx, "chmod", "0700", "--", path); err != nil {
			return fmt.Errorf("let %s be run in guest %s: %w", path, r.guest.Name, err)
		}
	}
	there, err := r.guest.Fetch(ctx, path, len(content), func(done int) { told(len(content)+done, total) })
	if err != nil {
		return err
	}
	if want, got := sum(content), sum(there); want != got {
		return fmt.Errorf("%s in guest %s is not what was put there: sha256 %s, not %s", path, r.guest.Name, got, want)
	}
	return nil
}

func sum(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}

// Remove removes the room with all that is in it.
func (r *Room) Remove(ctx context.Context) error {
	if err := r.guest.sync(ctx); err != nil {
		return r.left(err)
	}
	var err error
	if r.guest.System.Kind == Windows {
		// rd says 0 too where something stayed (from memory), so it is asked.
		if _, err = r.guest.Run(ctx, "cmd.exe", "/d", "/c", "rd", "/s", "/q", r.Path); err == nil {
			_, err = r.guest.Run(ctx, "cmd.exe", "/d", "/c", "if", "exist", r.Path, "exit", "1")
		}
	} else {
		_, err = r.guest.Run(ctx, "rm", "-r", "-f", "--", r.Path)
	}
	if err != nil {
		return r.left(err)
	}
	return nil
}

func (r *Room) left(err error) error {
	return fmt.Errorf("%w: remove %s in guest %s by hand: %w", ErrLeft, r.Path, r.guest.Name, err)
}

// ErrLeft is the error where something of ours was left in a guest.
var ErrLeft = errors.New("something is left in the guest")
