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

// Folder places option ROMs and shim disks below a root directory.
type Folder struct{ Root string }

// PlaceROM builds the ROM from the NVMe driver of a donor whose sha256 is given
// and puts it at its path, where nothing may lie but the same ROM. It appears
// there whole or not at all.
func (f Folder) PlaceROM(_ context.Context, rom facts.ROM, donor, donorSum string) error {
	if err := f.placeROM(rom, donor, donorSum); err != nil {
		return fmt.Errorf("place option ROM %s: %w", rom.Path, err)
	}
	return nil
}

func (f Folder) placeROM(rom facts.ROM, donor, donorSum string) error {
	if !facts.IsROM(rom.Path) {
		return errors.New("it is not in " + facts.ROMFolder)
	}
	image, err := f.donor(donor, donorSum)
	if err != nil {
		return err
	}
	driver, err := image.Extract(NVMe.GUID)
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
	return f.put(rom.Path, built)
}

// PlaceShim builds the shim disk from the parts of a donor, as PlaceROM does.
func (f Folder) PlaceShim(_ context.Context, shim facts.Shim, donor, donorSum string) error {
	if err := f.placeShim(shim, donor, donorSum); err != nil {
		return fmt.Errorf("place shim disk %s: %w", shim.Path, err)
	}
	return nil
}

func (f Folder) placeShim(planned facts.Shim, donor, donorSum string) error {
	if !facts.IsShim(planned.Path) {
		return errors.New("it is not in " + facts.ShimFolder)
	}
	image, err := f.donor(donor, donorSum)
	if err != nil {
		return err
	}
	shim, err := ShimFrom(image)
	if err != nil {
		return err
	}
	if planned.Loader != "" {
		shim.Loaders = append([]string{planned.Loader}, DefaultLoaders()...)
	}
	if planned.From != (facts.SystemPartition{}) {
		shim.Wanted = &planned.From
	}
	built, err := shim.Build()
	if err != nil {
		return err
	}
	if is, err := shim.fact(planned.Path); err != nil || is != planned {
		return errors.Join(errors.New("the donor's parts are not those that were planned"), err)
	}
	return f.put(planned.Path, built)
}

// fact gives a shim as surveys have it.
func (s Shim) fact(named string) (facts.Shim, error) {
	rom, err := ROM{Driver: s.Driver}.Build()
	if err != nil {
		return facts.Shim{}, err
	}
	shell := sha256.Sum256(s.Shell)
	f := facts.Shim{Path: named, Driver: romSum(rom), Shell: hex.EncodeToString(shell[:])}
	switch loaders := s.Loaders; {
	case s.Ending != Prompt:
		return f, errors.New("it powers off where an order's disk would stay at the prompt")
	case len(loaders) == 0:
	case len(loaders) == len(DefaultLoaders())+1:
		f.Loader = loaders[0]
	default:
		return f, errors.New("it starts other loaders than an order's disk")
	}
	if s.Wanted != nil {
		f.From = *s.Wanted
	}
	return f, nil
}

// donor reads a firmware image that must have that sha256.
func (f Folder) donor(named, want string) (*Image, error) {
	content, err := readImageFile(os.DirFS(f.Root), named)
	if err != nil {
		return nil, err
	}
	if sum := sha256.Sum256(content); hex.EncodeToString(sum[:]) != want {
		return nil, fmt.Errorf("donor %s was exchanged: its sha256 is %x", named, sum)
	}
	return Read(content), nil
}

// put writes a file where nothing lies but the same.
func (f Folder) put(named string, built []byte) error {
	name := filepath.Join(f.Root, named)
	there, err := os.ReadFile(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		// QEMU runs as another user, which must be able to read it.
		return renameio.WriteFile(name, built, 0o644, renameio.IgnoreUmask())
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
	if err := f.remove(named, func(b []byte) error { _, err := ReadROM(b); return err }); err != nil {
		return fmt.Errorf("remove option ROM: %w", err)
	}
	return nil
}

// RemoveShim removes a shim disk that lendkeep built, and nothing else.
func (f Folder) RemoveShim(_ context.Context, named string) error {
	if !facts.IsShim(named) {
		return fmt.Errorf("remove shim disk %s: it is not in %s", named, facts.ShimFolder)
	}
	if err := f.remove(named, func(b []byte) error { _, err := ReadShim(b); return err }); err != nil {
		return fmt.Errorf("remove shim disk: %w", err)
	}
	return nil
}

func (f Folder) remove(named string, ours func([]byte) error) error {
	name := filepath.Join(f.Root, named)
	content, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil {
		err = ours(content)
	}
	if err == nil {
		err = os.Remove(name)
	}
	return err
}
