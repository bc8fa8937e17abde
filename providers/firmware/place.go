package firmware

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/google/renameio/v2"

	"lendkeep/reconcile/facts"
)

// Folder places option ROMs below a root directory.
type Folder struct{ Root string }

// PlaceROM builds the ROM from the NVMe driver of a donor whose sha256 is given
// and puts it at its path, where nothing may lie but the same ROM. It appears
// there whole or not at all.
func (f Folder) PlaceROM(_ context.Context, rom facts.ROM, donor, donorSum string) error {
	if err := f.place(rom, donor, donorSum); err != nil {
		return fmt.Errorf("place option ROM %s: %w", rom.Path, err)
	}
	return nil
}

func (f Folder) place(rom facts.ROM, donor, donorSum string) error {
	if !facts.IsROM(rom.Path) {
		return errors.New("it is not in " + facts.ROMFolder)
	}
	content, err := readImageFile(os.DirFS(f.Root), donor)
	if err != nil {
		return err
	}
	if sum := sha256.Sum256(content); hex.EncodeToString(sum[:]) != donorSum {
		return fmt.Errorf("donor %s was exchanged: its sha256 is %x", donor, sum)
	}
	driver, err := Read(content).Extract(NVMe.GUID)
	if err != nil {
		return err
	}
	built, err := ROM{Driver: driver, Vendor: uint16(rom.Vendor), Device: uint16(rom.Device)}.Build()
	if err != nil {
		return err
	}
	if romSum(built) != rom.Driver {
		return errors.New("the donor's driver is not the one that was planned")
	}
	there, err := os.ReadFile(filepath.Join(f.Root, rom.Path))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		// QEMU runs as another user, which must be able to read it.
		return renameio.WriteFile(filepath.Join(f.Root, rom.Path), built, 0o644, renameio.IgnoreUmask())
	case err != nil:
		return err
	case !bytes.Equal(there, built):
		return errors.New("another file is there, which is left as it is")
	default:
		return nil
	}
}

// RemoveROM removes an option ROM that lendkeep built, and nothing else.
func (f Folder) RemoveROM(_ context.Context, named string) error {
	if !facts.IsROM(named) {
		return fmt.Errorf("remove option ROM %s: it is not in %s", named, facts.ROMFolder)
	}
	name := filepath.Join(f.Root, named)
	content, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil {
		_, err = ReadROM(content)
	}
	if err == nil {
		err = os.Remove(name)
	}
	if err != nil {
		return fmt.Errorf("remove option ROM: %w", err)
	}
	return nil
}
