package program

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
)

// Do runs a program of which only matters whether it did what it was told to; the
// error is what it said.
func Do(ctx context.Context, name string, arguments ...string) error {
	said, err := Run(ctx, exec.Command(name, arguments...))
	if words := said.Words(); err != nil && words != "" {
		return errors.New(words)
	} else if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}
