// Package program runs programs of the host without a shell, bounded in time and in
// what is kept of what they say; one that hangs is left behind. Start at Run.
package program

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// patience is how long a program is waited for once its time is over and it was
// told to end; one that hangs in the kernel does not end.
const patience = time.Second

// mostWords is how much of what a program says goes into an error, in bytes.
const mostWords = 500

// Said is what a program that has ended said; of each output the first MostSaid
// bytes, and one more where there was more.
type Said struct {
	Out, Complaint []byte // standard output, standard error
	Code           int    // -1: a signal ended it
}

// Words gives all of it as one short line.
func (s Said) Words() string {
	text := strings.Join(strings.Fields(string(s.Complaint)+" "+string(s.Out)), " ")
	return text[:min(len(text), mostWords)]
}

// Run runs a command to its end. The error is how it ended, where that is not well,
// with what it said, in English whatever the host speaks. With ctx over it is killed
// with all that it has started, and one that hangs in the kernel, which not even
// that ends, is left behind: then its outcome is not known. It does not outlive this
// process: whoever ends that wants nothing more to happen.
func Run(ctx context.Context, command *exec.Cmd) (Said, error) {
	command.Env = []string{"LC_ALL=C", "PATH=" + os.Getenv("PATH")}
	command.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	return run(ctx, command, command.Wait)
}

// RunAlone is Run in a session of its own and with this process's environment. What
// the command has left running in it ends with it, and whatever else also ends,
// before its number can mean another process.
func RunAlone(ctx context.Context, command *exec.Cmd, also func()) (Said, error) {
	command.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	return run(ctx, command, func() error {
		for unix.Waitid(unix.P_PID, command.Process.Pid, nil, unix.WEXITED|unix.WNOWAIT, nil) == unix.EINTR {
		}
		_ = syscall.Kill(-command.Process.Pid, syscall.SIGKILL)
		also()
		return command.Wait()
	})
}

func run(ctx context.Context, command *exec.Cmd, wait func() error) (Said, error) {
	if err := ctx.Err(); err != nil {
		return Said{}, fmt.Errorf("it was not begun: %w", err)
	}
	out, err1 := listen()
	complaint, err2 := listen()
	defer out.close()
	defer complaint.close()
	if err := errors.Join(err1, err2); err != nil {
		return Said{}, err
	}
	command.Stdout, command.Stderr, command.WaitDelay = out.to, complaint.to, patience
	if err := command.Start(); err != nil {
		return Said{}, err
	}
	out.begin()
	complaint.begin()
	ended := make(chan error, 1)
	go func() { ended <- wait() }()
	select {
	case err := <-ended:
		said := Said{out.end(), complaint.end(), command.ProcessState.ExitCode()}
		return said, said.judge(err)
	case <-ctx.Done():
	}
	_ = syscall.Kill(-command.Process.Pid, syscall.SIGKILL)
	select {
	case <-ended:
	case <-time.After(patience):
	}
	return Said{}, fmt.Errorf("it did not end in time, so its outcome is not known: %w", ctx.Err())
}

func (s Said) judge(err error) error {
	if err == nil || errors.Is(err, exec.ErrWaitDelay) { // it has ended well itself
		return nil
	}
	if words := s.Words(); words != "" {
		return fmt.Errorf("%w: %s", err, words)
	}
	return err
}
