// Command lendkeep-measure measures a drive where it is used, on the host or in a
// guest, on Linux or Windows: one static program that needs nothing else. Start at
// run; providers/measure does the work.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"

	"lendkeep/providers/measure"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
	"lendkeep/spec/plain"
)

// number is the program's version; the Makefile sets it to lendkeep's.
var number = "unknown"

// Exit codes.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run is the whole program with its surroundings as parameters.
func run(ctx context.Context, arguments []string, stdout, stderr io.Writer) int {
	stdout, told := plain.Writer{Out: stdout}, plain.Writer{Out: stderr}
	w, err := read(arguments)
	switch {
	case errors.Is(err, errHelp):
		fmt.Fprint(stdout, help())
		return exitDone
	case errors.Is(err, errVersion):
		fmt.Fprintln(stdout, "lendkeep-measure", number)
		return exitDone
	case err != nil:
		return failed(told, exitUsage, err)
	}
	if err := w.carryOut(ctx, stdout, told); err != nil {
		return failed(told, exitFailed, err)
	}
	return exitDone
}

// failed says what is wrong and what to do about it.
func failed(told io.Writer, code int, err error) int {
	fmt.Fprintln(told, "lendkeep-measure:", plain.Shown(err.Error()))
	var p measure.Problem
	if errors.As(err, &p) && p.Next != "" {
		fmt.Fprintln(told, "next:", plain.Shown(p.Next))
	}
	return code
}

// carryOut measures, and shows the result or writes it. The file that it goes to is
// made first, so that nobody waits for what then cannot be written.
func (w wanted) carryOut(ctx context.Context, stdout, told io.Writer) (err error) {
	out := stdout
	if w.json != "" && w.json != toStdout {
		file, made := os.OpenFile(w.json, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if made != nil {
			return measure.Problem{Err: fmt.Errorf("make the file for the result: %w", made), Next: "name a file that is not there yet"}
		}
		defer func() {
			if err = errors.Join(err, file.Close()); err != nil {
				_ = os.Remove(w.json) // it is our own, and has no result
			}
		}()
		out = file
	}
	if w.progress != "" {
		file, made := os.OpenFile(w.progress, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if made != nil {
			return measure.Problem{Err: fmt.Errorf("make the file for the progress: %w", made), Next: "name a file that is not there yet"}
		}
		defer file.Close() // what is lost of it nobody misses
		told = file
	}
	tell := func(text string) { fmt.Fprintln(told, plain.Text(text)) }
	tell(w.writes())
	r, err := measured(ctx, w.Asked, tell)
	if err != nil {
		return err
	}
	r.Program = number
	content, err := r.Encode()
	if err == nil && w.json == "" {
		var text string
		text, err = table(r)
		content = []byte(text)
	}
	if err != nil {
		return err
	}
	if _, err := out.Write(content); err != nil {
		return fmt.Errorf("write the result: %w", err)
	}
	return nil
}

// writes tells what is written, before any of it is.
func (w wanted) writes() string {
	if w.Form == speed.Device {
		return "device " + w.Path + " is only read"
	}
	size := func(n int64) string { return facts.Size(uint64(n)) }
	return fmt.Sprintf("at most %s (%d bytes) will be written in folder %s: a file of %s, and no more than that again in each run that writes; it is gone afterwards",
		size(w.MostWritten()), w.MostWritten(), w.Path, size(w.Bytes))
}

// leaveWithin is how long a drive may take to answer what is under way when the
// program is to end.
const leaveWithin = 10 * time.Second

// measured measures; with a drive that never answers the program ends all the same,
// and the system takes its file away.
func measured(ctx context.Context, a measure.Asked, tell func(string)) (speed.Result, error) {
	type answer struct {
		r   speed.Result
		err error
	}
	done := make(chan answer, 1)
	go func() {
		r, err := measure.Measure(ctx, a, tell)
		done <- answer{r, err}
	}()
	select {
	case is := <-done:
		return is.r, is.err
	case <-ctx.Done():
	}
	select {
	case is := <-done:
		return is.r, is.err
	case <-time.After(leaveWithin):
		return speed.Result{}, fmt.Errorf("%s does not answer; the program leaves it", a.Path)
	}
}
