// Package systemd installs lendkeep's service where systemd runs a host. Start
// at Units.
package systemd

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"lendkeep/providers/files"
	"lendkeep/providers/program"
	"lendkeep/reconcile/facts"
)

// Units is where units lie: below Root, which is "/" but in tests.
type Units struct {
	Root string
	// Systemctl is the program of that name, for tests; empty: as the PATH has it.
	Systemctl string
}

// InstallWatch makes the service have exactly this unit and starts or ends it;
// an empty unit is none. A service that runs is begun anew with another unit.
func (u Units) InstallWatch(ctx context.Context, want facts.WatchFiles) error {
	if err := u.install(ctx, want); err != nil {
		return fmt.Errorf("install watch: %w", err)
	}
	return nil
}

func (u Units) install(ctx context.Context, want facts.WatchFiles) error {
	unit := filepath.Join(u.Root, facts.WatchUnit)
	if want.Unit == "" || !want.Enabled {
		if _, err := os.Lstat(unit); err == nil { // systemctl knows none that is not there
			if err := u.systemctl(ctx, "disable", "--now", facts.WatchName); err != nil {
				return err
			}
		}
	}
	if want.Unit == "" {
		// systemctl has removed the link, unless somebody took the unit away under it.
		for _, file := range []string{facts.WatchLink, facts.WatchUnit} {
			if err := os.Remove(filepath.Join(u.Root, file)); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
		return u.systemctl(ctx, "daemon-reload")
	}
	if err := os.MkdirAll(filepath.Dir(unit), 0o755); err != nil {
		return err
	}
	mode, err := want.Mode.Bits(facts.UnitMode)
	if err != nil {
		return err
	}
	if err := files.Write(unit, []byte(want.Unit), fs.FileMode(mode)); err != nil {
		return err
	}
	if err := u.systemctl(ctx, "daemon-reload"); err != nil || !want.Enabled {
		return err
	}
	if err := u.systemctl(ctx, "enable", facts.WatchName); err != nil {
		return err
	}
	return u.systemctl(ctx, "restart", facts.WatchName)
}

// systemctl runs systemctl(1), which says what is wrong on standard error.
func (u Units) systemctl(ctx context.Context, arguments ...string) error {
	if _, err := program.Run(ctx, exec.Command(cmp.Or(u.Systemctl, "systemctl"), arguments...)); err != nil {
		return fmt.Errorf("systemctl %s: %w", strings.Join(arguments, " "), err)
	}
	return nil
}
