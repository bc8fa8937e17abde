package program

import (
	"io"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// MostSaid is how much is kept of each output, in bytes.
const MostSaid = 64 << 10

// pipeBytes is how much a pipe holds (pipe(7), since Linux 2.6.11).
const pipeBytes = 64 << 10

// output takes what a program says, by a pipe.
type output struct {
	from, to *os.File
	kept     []byte
	read     chan struct{} // closed when nobody reads from it any more
}

func listen() (o *output, err error) {
	o = &output{read: make(chan struct{})}
	o.from, o.to, err = os.Pipe()
	return o, err
}

// begin reads, once the program has the other end.
func (o *output) begin() {
	_ = o.to.Close() // only handed on
	go func() {
		defer close(o.read)
		_, _ = io.Copy(o, o.from) // its end, or that of the program
	}()
}

// Write keeps the beginning.
func (o *output) Write(p []byte) (int, error) {
	o.kept = append(o.kept, p[:min(len(p), MostSaid+1-len(o.kept))]...)
	return len(p), nil
}

// end gives what a program has said that has ended: all that it wrote is in the
// pipe by then. A pipe's own end is not waited for: it has none as long as any
// process has it open, what the program has left running, or one that another part
// of this program is just starting.
func (o *output) end() []byte {
	_ = o.from.SetReadDeadline(time.Now())
	<-o.read
	_ = o.from.SetReadDeadline(time.Time{})
	raw, err := o.from.SyscallConn()
	if err != nil {
		return o.kept
	}
	rest := make([]byte, pipeBytes)
	_ = raw.Read(func(fd uintptr) bool {
		if n, err := unix.Read(int(fd), rest); err == nil {
			_, _ = o.Write(rest[:n])
		}
		return true
	})
	return o.kept
}

// close gives the pipe up; who still writes to it is told so.
func (o *output) close() {
	_ = o.from.Close()
	_ = o.to.Close()
}
