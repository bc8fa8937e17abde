package emulated

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"syscall"
)

// emulator is a QEMU that cannot outlive this program.
type emulator struct {
	command *exec.Cmd
	said    bytes.Buffer // standard error; read only after ended
	ended   chan struct{}
	failure error // of Wait; read only after ended
}

// startEmulator starts a program.
func startEmulator(program string, arguments []string) (*emulator, error) {
	p := &emulator{command: exec.Command(program, arguments...), ended: make(chan struct{})}
	p.command.Stderr = &p.said
	// The signal is sent when the starting *thread* ends (prctl(2),
	// PR_SET_PDEATHSIG), so one goroutine keeps its thread until the program
	// has ended.
	p.command.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	started := make(chan error)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := p.command.Start()
		started <- err
		if err == nil {
			p.failure = p.command.Wait()
			close(p.ended)
		}
	}()
	if err := <-started; err != nil {
		return nil, fmt.Errorf("start %s: %w", program, err)
	}
	return p, nil
}

// kill ends the program at once and waits until it is gone.
func (p *emulator) kill() error {
	select {
	case <-p.ended:
		return nil
	default:
	}
	if err := p.command.Process.Kill(); err != nil && err != os.ErrProcessDone {
		return fmt.Errorf("kill %s: %w", p.command.Path, err)
	}
	<-p.ended
	return nil
}

// why says how the program ended; it may be asked only after ended.
func (p *emulator) why() error {
	return fmt.Errorf("%s ended: %v: %s", p.command.Path, p.failure, strings.TrimSpace(p.said.String()))
}
