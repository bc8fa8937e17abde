package drive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"time"
)

// Mounts mounts and unmounts filesystems of this machine by mount(8) and
// umount(8), which know of fstab, of mount programs for single filesystems and
// of what else listens.
type Mounts struct{}

// patience is how long a program is waited for once its time is over and it was
// told to end; one that hangs in the kernel does not end.
const patience = time.Second

// Mount mounts a device at a path, which is made where it is missing, as systemd
// does for its mounts (systemd.mount(5)); it stays when the mount goes. Without a
// kind the kind is what the device holds; options are joined by commas.
func (Mounts) Mount(ctx context.Context, device, kind, path string, options []string) error {
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
	if err := run(ctx, "mount", append(arguments, "--", device, path)...); err != nil {
		return fmt.Errorf("mount %s at %s: %w", device, path, err)
	}
	return nil
}

// Unmount unmounts what is mounted at a path. It never forces and is never
// lazy: a busy filesystem stays, and the error says who keeps it busy.
func (Mounts) Unmount(ctx context.Context, path string) error {
	err := run(ctx, "umount", "--", path)
	if err == nil {
		return nil
	}
	if users := usersOf(path); len(users) > 0 && ctx.Err() == nil {
		err = fmt.Errorf("%w; busy: %s", err, strings.Join(users, ", "))
	}
	return fmt.Errorf("unmount %s: %w", path, err)
}

// run runs a program without a shell. The error is what it said, in English
// whatever the host speaks; or, with ctx over, that it did not come to an end.
func run(ctx context.Context, program string, arguments ...string) error {
	var said bytes.Buffer
	command := exec.CommandContext(ctx, program, arguments...)
	command.Env = append(os.Environ(), "LC_ALL=C")
	command.Stdout, command.Stderr = &said, &said
	command.WaitDelay = patience
	err := command.Run()
	switch text := strings.Join(strings.Fields(said.String()), " "); {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return fmt.Errorf("%s did not end in time, so its outcome is not known: %w", program, ctx.Err())
	case text != "":
		return errors.New(text)
	default:
		return fmt.Errorf("%s: %w", program, err)
	}
}
