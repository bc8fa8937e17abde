// Command cmd is what a person uses of the emulated host: it builds the image,
// gives a shell in a host, and captures the trees that fixtures are made of.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"lendkeep/providers/emulated"
	"lendkeep/providers/emulated/machine"
)

const usage = `go run ./testdata/emuhost/cmd build        make the image, unless it is there
go run ./testdata/emuhost/cmd shell        a shell in larch; leaving it switches the host off
go run ./testdata/emuhost/cmd capture DIR  trees of a host before, during and after a lend
`

func main() {
	flag.Usage = func() { fmt.Fprint(os.Stderr, usage) }
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := do(ctx, flag.Args()); err != nil {
		fmt.Fprintln(os.Stderr, err)
		stop()
		os.Exit(1)
	}
}

var errUsage = errors.New(usage)

func do(ctx context.Context, arguments []string) error {
	if err := emulated.Missing(); err != nil {
		return err
	}
	switch {
	case len(arguments) == 1 && arguments[0] == "build":
		made, err := emulated.Prepare(ctx, os.Stderr)
		if err == nil {
			fmt.Println(made.Folder)
		}
		return err
	case len(arguments) == 1 && arguments[0] == "shell":
		return emulated.Shell(ctx, machine.Larch(), os.Stderr)
	case len(arguments) == 2 && arguments[0] == "capture":
		return capture(ctx, arguments[1])
	}
	return errUsage
}
