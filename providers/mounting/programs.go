// Package mounting mounts and unmounts filesystems of this machine. Start at Programs.
package mounting

import (
	"context"
	"fmt"
	"os"
	"strings"
	"time"

	"lendkeep/providers/program"
)

// Programs mounts and unmounts filesystems of this machine by mount(8) and
// umount(8), which know of fstab, of mount programs for single filesystems and
// of what else listens.
type Programs struct{}

// usersWithin is how long users of a busy filesystem are looked for: what /proc has
// of a process that hangs may never come.
const usersWithin = 2 * time.Second

// Mount mounts a device at a path, which is made where it is missing, as systemd
// does for its mounts (systemd.mount(5)); it stays when the mount goes. Without a
// kind the kind is what the device holds; options are joined by commas.
func (Programs) Mount(ctx context.Context, device, kind, path string, options []string) error {
	if err := os.MkdirAll(path, 0o755); err != nil {
		return fmt.Errorf("mount %s at %s: %w", device, path, err)
	}
	var arguments []string
	if kind != "" {
		arguments = append(arguments, "-t", kind)
	}
	if len(options) > 0 {
		arguments = append(arguments, "-o", strings.Join(options, ","))
	}
	if err := program.Do(ctx, "mount", append(arguments, "--", device, path)...); err != nil {
		return fmt.Errorf("mount %s at %s: %w", device, path, err)
	}
	return nil
}

// Unmount unmounts what is mounted at a path. It never forces and is never
// lazy: a busy filesystem stays, and the error says who keeps it busy.
func (Programs) Unmount(ctx context.Context, path string) error {
	err := program.Do(ctx, "umount", "--", path)
	if err == nil {
		return nil
	}
	if ctx.Err() == nil {
		if users := usersSoon(path); len(users) > 0 {
			err = fmt.Errorf("%w; busy: %s", err, strings.Join(users, ", "))
		}
	}
	return fmt.Errorf("unmount %s: %w", path, err)
}

// usersSoon is usersOf with an end; nobody then.
func usersSoon(path string) []string {
	found := make(chan []string, 1)
	go func() { found <- usersOf(path) }()
	select {
	case users := <-found:
		return users
	case <-time.After(usersWithin):
		return nil
	}
}
