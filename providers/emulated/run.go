package emulated

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"syscall"

	"lendkeep/providers/emulated/wire"
)

// Result is what became of a command inside.
type Result struct {
	Argv   []string
	Exit   int // 128 and the signal's number when a signal ended it
	Stdout string
	Stderr string
}

// Err is nil where the command left with 0, else says what it said.
func (r Result) Err() error {
	if r.Exit == 0 {
		return nil
	}
	return fmt.Errorf("%s: exit %d: %s%s", strings.Join(r.Argv, " "), r.Exit, r.Stdout, r.Stderr)
}

// Command is a program to run inside.
type Command struct {
	Argv  []string
	Env   []string // NAME=value, added to the host's
	Stdin []byte
}

// Program is a command that runs inside.
type Program struct {
	life   *life
	argv   []string
	number int
}

// Run runs a command to its end. An exit other than 0 is a result, not an
// error. When the context ends first, the command is killed.
func (h *Host) Run(ctx context.Context, argv ...string) (Result, error) {
	return h.RunCommand(ctx, Command{Argv: argv})
}

// RunCommand is Run with an environment and a standard input.
func (h *Host) RunCommand(ctx context.Context, c Command) (Result, error) {
	program, err := h.Begin(ctx, c)
	if err != nil {
		return Result{}, err
	}
	return program.Await(ctx)
}

// Shell runs lines of a script with bash, stopping at the first that fails.
func (h *Host) Shell(ctx context.Context, script string) (Result, error) {
	return h.RunCommand(ctx, Command{Argv: []string{"bash", "-euo", "pipefail", "-s"}, Stdin: []byte(script)})
}

// Begin starts a command and lets it run.
func (h *Host) Begin(ctx context.Context, c Command) (*Program, error) {
	l := h.up.Load()
	if l == nil {
		return nil, errOff
	}
	program := &Program{life: l, argv: c.Argv}
	wanted := wire.Command{Argv: c.Argv, Env: c.Env, Stdin: c.Stdin}
	if err := l.ask(ctx, "Begin", wanted, &program.number); err != nil {
		return nil, fmt.Errorf("run %s in the host: %w", strings.Join(c.Argv, " "), err)
	}
	return program, nil
}

// Await waits for the command's end; when the time is up first, the command is
// killed.
func (p *Program) Await(ctx context.Context) (Result, error) {
	var answer wire.Result
	if err := p.life.ask(ctx, "Await", p.number, &answer); err != nil {
		if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
			err = errors.Join(err, p.Signal(context.WithoutCancel(ctx), syscall.SIGKILL))
		}
		return Result{}, fmt.Errorf("run %s in the host: %w", strings.Join(p.argv, " "), err)
	}
	return Result{Argv: p.argv, Exit: answer.Exit, Stdout: string(answer.Stdout), Stderr: string(answer.Stderr)}, nil
}

// Signal sends a signal to the command and all it has started.
func (p *Program) Signal(ctx context.Context, signal syscall.Signal) error {
	return p.life.ask(ctx, "Signal", wire.Signal{Command: p.number, Number: int(signal)}, new(wire.None))
}

// Condition tells what stands on the host that its next user would meet.
func (h *Host) Condition(ctx context.Context) ([]wire.Trace, error) {
	var found []wire.Trace
	if err := h.ask(ctx, "Condition", wire.None(false), &found); err != nil {
		return nil, fmt.Errorf("tell condition of the host: %w", err)
	}
	return found, nil
}

// ReadFile gives a whole file of the host, /proc and /sys included.
func (h *Host) ReadFile(ctx context.Context, name string) ([]byte, error) {
	var content []byte
	for {
		var piece []byte
		span := wire.Span{Name: name, Offset: int64(len(content)), Length: wire.PieceBytes}
		if err := h.ask(ctx, "Read", span, &piece); err != nil {
			return nil, fmt.Errorf("read %s in the host: %w", name, err)
		}
		content = append(content, piece...)
		if len(piece) < wire.PieceBytes {
			return content, nil
		}
	}
}

// WriteFile writes a whole file of the host and syncs it. Its folder must exist.
func (h *Host) WriteFile(ctx context.Context, name string, content []byte, mode os.FileMode) error {
	for offset := 0; ; {
		length := min(len(content)-offset, wire.PieceBytes)
		piece := wire.Piece{Name: name, Offset: int64(offset), Content: content[offset : offset+length], Mode: uint32(mode)}
		if err := h.ask(ctx, "Write", piece, new(wire.None)); err != nil {
			return fmt.Errorf("write %s in the host: %w", name, err)
		}
		if offset += length; offset >= len(content) {
			return nil
		}
	}
}

// Trees gives files and folders of the host as a tar archive: links stay links,
// what is not there is left out, and wire.Unreadable lists what cannot be read.
func (h *Host) Trees(ctx context.Context, roots ...string) ([]byte, error) {
	var packed []byte
	if err := h.ask(ctx, "Capture", wire.Trees{Roots: roots}, &packed); err != nil {
		return nil, fmt.Errorf("pack files of the host: %w", err)
	}
	return packed, nil
}
