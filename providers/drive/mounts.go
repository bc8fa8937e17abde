package drive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"
)

// Mounts mounts and unmounts filesystems of this machine by mount(8) and
// umount(8), which know of fstab, of mount programs for single filesystems and
// of what else listens.
type Mounts struct{}

// patience is how long a program is waited for once its time is over and it was
// told to end; one that hangs in the kernel does not end.
const patience = time.Second

// usersWithin is how long users of a busy filesystem are looked for: what /proc has
// of a process that hangs may never come.
const usersWithin = 2 * time.Second

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

// run runs a program without a shell. The error is what it said, in English
// whatever the host speaks; or, with ctx over, that it did not come to an end: it
// is killed with all that it has started, and one that hangs in the kernel, which
// not even that ends, is left behind. It does not outlive this process: whoever
// ends that wants nothing more to happen.
func run(ctx context.Context, program string, arguments ...string) error {
	var said bytes.Buffer
	command := exec.Command(program, arguments...)
	command.Env = append(os.Environ(), "LC_ALL=C")
	command.Stdout, command.Stderr = &said, &said
	command.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	command.WaitDelay = patience
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("%s was not begun: %w", program, err)
	}
	if err := command.Start(); err != nil {
		return fmt.Errorf("%s: %w", program, err)
	}
	ended := make(chan error, 1)
	go func() { ended <- command.Wait() }()
	select {
	case err := <-ended:
		if text := strings.Join(strings.Fields(said.String()), " "); err != nil && text != "" {
			return errors.New(text)
		} else if err != nil {
			return fmt.Errorf("%s: %w", program, err)
		}
		return nil
	case <-ctx.Done():
	}
	_ = syscall.Kill(-command.Process.Pid, syscall.SIGKILL)
	select {
	case <-ended:
	case <-time.After(patience):
	}
	return fmt.Errorf("%s did not end in time, so its outcome is not known: %w", program, ctx.Err())
}
