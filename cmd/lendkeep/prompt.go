package main

import (
	"context"
	"errors"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"lendkeep/cmd/lendkeep/screen"
	"lendkeep/providers/person"
	"lendkeep/spec/plain"
)

// terminal is where a person is asked, and answers.
type terminal struct {
	in  *os.File
	out *screen.Screen // never a pipe, whatever standard output is
}

// terminalOf gives the terminal of whoever calls lendkeep, or nil where nobody can
// be asked.
func terminalOf(c *cobra.Command) *terminal {
	in, ok := c.InOrStdin().(*os.File)
	if !ok || !term.IsTerminal(int(in.Fd())) {
		return nil
	}
	if out, err := os.OpenFile("/dev/tty", os.O_WRONLY, 0); err == nil { // closed when lendkeep ends
		return &terminal{in, screen.On(c.ErrOrStderr()).Beside(out)}
	}
	if term.IsTerminal(int(os.Stderr.Fd())) {
		return &terminal{in, screen.On(c.ErrOrStderr())}
	}
	return nil
}

// ask puts a question and gives the line that is typed. An interrupt ends the
// asking, and nothing that is typed after it is an answer.
func (t *terminal) ask(ctx context.Context, question string) (string, error) {
	if err := t.out.Prose(plain.Text(question)); err != nil {
		return "", fail(exitUsage, "", "ask for an answer: %w; nothing was touched", err)
	}
	answer, err := person.Line(ctx, t.in)
	if err != nil {
		_ = t.out.Line("") // the question stands alone on its line then
		if errors.Is(err, io.EOF) || errors.Is(err, context.Canceled) {
			return "", fail(exitUsage, "", "no answer was given; nothing was touched")
		}
		return "", fail(exitUsage, "", "read the answer: %w; nothing was touched", err)
	}
	return answer, nil
}

// endings are the signals that end a call of lendkeep in good order: an order under
// way is undone. Those that whoever started it has it ignore, as nohup(1) does, it
// goes on ignoring.
func endings() []os.Signal {
	list := []os.Signal{syscall.SIGTERM}
	for _, s := range []os.Signal{os.Interrupt, syscall.SIGHUP} {
		if !signal.Ignored(s) {
			list = append(list, s)
		}
	}
	return list
}

// heard has a command interrupted as well once nobody reads any more what is
// printed: whoever ended the reader wanted the order to end. The signal that such a
// write brings (SIGPIPE) would else end lendkeep in the middle of a step; it also
// comes from other writes, such as libvirt's, which say nothing of readers.
func heard(c *cobra.Command) context.CancelFunc {
	ctx, cancel := context.WithCancel(c.Context())
	c.SetContext(ctx)
	broken := make(chan os.Signal, 1)
	signal.Notify(broken, syscall.SIGPIPE) // to the end of lendkeep: what it says last must not end it either
	go func() {
		for {
			select {
			case <-ctx.Done():
				return
			case <-broken:
				if readerGone(os.Stdout) || readerGone(os.Stderr) {
					cancel()
				}
			}
		}
	}()
	return cancel
}

// readerGone tells whether an output is a pipe that nobody reads (poll(2): POLLERR).
func readerGone(out *os.File) bool {
	state := []unix.PollFd{{Fd: int32(out.Fd())}}
	_, err := unix.Poll(state, 0)
	return err == nil && state[0].Revents&unix.POLLERR != 0
}
