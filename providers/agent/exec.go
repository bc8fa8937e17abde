package agent

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Process is a program that was started in a guest.
type Process struct {
	guest *Guest
	pid   int64
	what  string
}

// Ended is how a program ended.
type Ended struct {
	Code    int    // its exit code; of no meaning where Signal is not 0
	Signal  int64  // what ended it: a signal of Linux, the code of an exception of Windows; 0: nothing did
	Out     []byte // standard output and standard error, as much of them as the agent kept
	Err     []byte
	Cut     bool // the agent did not keep all of them
	windows bool
}

// Well tells whether it ended well by itself, and if not, how, with what it said.
func (e Ended) Well() error {
	how := ""
	switch {
	case e.Signal != 0 && e.windows: // codes from 0xC0000000 on (qga/commands.c)
		how = fmt.Sprintf("Windows ended it with code %#x", uint32(e.Signal))
	case e.Signal != 0:
		how = fmt.Sprintf("signal %d ended it", e.Signal)
	case e.Code != 0:
		how = fmt.Sprintf("it ended with code %d", e.Code)
	default:
		return nil
	}
	if words := strings.Join(strings.Fields(string(e.Err)+" "+string(e.Out)), " "); words != "" {
		how += ": " + quoted(strings.ToValidUTF8(words, "?"))
	}
	return errors.New(how)
}

// readStatus reads the answer of guest-exec-status; nil: it has not ended.
func readStatus(content []byte) (*Ended, error) {
	var said struct {
		Exited  *bool  `json:"exited"`
		Code    *int   `json:"exitcode"`
		Signal  *int64 `json:"signal"`
		Out     string `json:"out-data"` // no key where there is nothing
		Err     string `json:"err-data"`
		OutLess bool   `json:"out-truncated"`
		ErrLess bool   `json:"err-truncated"`
	}
	if err := object(content, &said); err != nil {
		return nil, err
	}
	switch {
	case said.Exited == nil:
		return nil, wrong{errors.New("whether it has ended is missing")}
	case !*said.Exited:
		return nil, nil
	case said.Code == nil && (said.Signal == nil || *said.Signal == 0):
		return nil, wrong{errors.New("it has ended, and neither a code nor a signal is there")}
	}
	ended := &Ended{Cut: said.OutLess || said.ErrLess}
	if said.Code != nil {
		ended.Code = *said.Code
	}
	if said.Signal != nil {
		ended.Signal = *said.Signal
	}
	var err1, err2 error
	ended.Out, err1 = base64.StdEncoding.DecodeString(said.Out)
	ended.Err, err2 = base64.StdEncoding.DecodeString(said.Err)
	if err := errors.Join(err1, err2); err != nil {
		return nil, wrong{err}
	}
	return ended, nil
}

// Start starts a program in the guest, as the agent's own user, which is root or
// Windows' own system. What it says is kept until it ends.
func (g *Guest) Start(ctx context.Context, program string, arguments ...string) (Process, error) {
	wanted := struct {
		Path    string   `json:"path"`
		Arg     []string `json:"arg"`
		Capture bool     `json:"capture-output"`
	}{program, append([]string{}, arguments...), true}
	pid, err := ask(ctx, g, "guest-exec", wanted, readPID)
	if err != nil {
		return Process{}, fmt.Errorf("start %s in guest %s: %w", program, g.Name, err)
	}
	return Process{g, pid, program}, nil
}

// Look asks once whether the program has ended; nil: it has not. The agent tells an
// end once and then knows nothing of the program any more.
func (p Process) Look(ctx context.Context) (*Ended, error) {
	ended, err := ask(ctx, p.guest, "guest-exec-status", map[string]int64{"pid": p.pid}, readStatus)
	if err != nil {
		return nil, fmt.Errorf("%s in guest %s: %w", p.what, p.guest.Name, err)
	}
	if ended != nil {
		ended.windows = p.guest.System.Kind == Windows
	}
	return ended, nil
}

// How often a program is looked at, and for how long an agent may be silent while
// one runs that loads the guest.
const (
	lookFirst = 50 * time.Millisecond
	lookLast  = 2 * time.Second
	patience  = 2 * time.Minute
)

// Wait waits for the end of the program, which begins with the end of everything
// that has its outputs open. It calls meanwhile between looks.
func (p Process) Wait(ctx context.Context, meanwhile func()) (Ended, error) {
	heard := time.Now()
	for pause := lookFirst; ; pause = min(2*pause, lookLast) {
		ended, err := p.Look(ctx)
		switch {
		case err == nil && ended != nil:
			return *ended, nil
		case err == nil:
			heard = time.Now()
			meanwhile()
		case !silent(err) || time.Since(heard) > patience:
			return Ended{}, err
		}
		select {
		case <-ctx.Done():
			return Ended{}, fmt.Errorf("%s in guest %s: %w", p.what, p.guest.Name, ctx.Err())
		case <-time.After(pause):
		}
	}
}

// runWithin is how long a program of the guest's own may take that does one small
// thing.
const runWithin = 30 * time.Second

// Run runs a small program to its end, and it must end well.
func (g *Guest) Run(ctx context.Context, program string, arguments ...string) (Ended, error) {
	ctx, cancel := context.WithTimeout(ctx, runWithin)
	defer cancel()
	p, err := g.Start(ctx, program, arguments...)
	if err != nil {
		return Ended{}, err
	}
	ended, err := p.Wait(ctx, func() {})
	if err != nil {
		return Ended{}, err
	}
	if err := ended.Well(); err != nil {
		return ended, fmt.Errorf("%s in guest %s: %w", program, g.Name, err)
	}
	return ended, nil
}

// End has a program ended and waits until it has. One that has ended already was
// looked at before: its number may be another's by now.
func (p Process) End(ctx context.Context) error {
	switch ended, err := p.Look(ctx); {
	case err != nil:
		return err
	case ended != nil:
		return nil
	}
	kill, arguments := "kill", []string{"-TERM", fmt.Sprint(p.pid)}
	if p.guest.System.Kind == Windows {
		kill, arguments = "taskkill.exe", []string{"/F", "/T", "/PID", fmt.Sprint(p.pid)}
	}
	if _, err := p.guest.Run(ctx, kill, arguments...); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, runWithin)
	defer cancel()
	_, err := p.Wait(ctx, func() {})
	return err
}
