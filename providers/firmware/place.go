package firmware

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// Folder places option ROMs and shim disks below a root directory.
type Folder struct{ Root string }

// PlaceAid builds a boot aid from the parts of a donor whose sha256 is given and
// puts it at its path, where nothing may lie but the same. It appears there whole
// or not at all.
func (f Folder) PlaceAid(_ context.Context, aid facts.Aid, donor, donorSum string) error {
	built, err := f.build(aid, donor, donorSum)
	if err == nil {
		err = f.put(aid.At(), built)
	}
	if err != nil {
		return fmt.Errorf("place %s %s: %w", aid.Title(), aid.At(), err)
	}
	return nil
}

func (f Folder) build(aid facts.Aid, donor, donorSum string) ([]byte, error) {
	if err := aid.Sound(); err != nil {
		return nil, err
	}
	image, err := f.donor(donor, donorSum)
	if err != nil {
		return nil, err
	}
	switch aid := aid.(type) {
	case facts.ROM:
		return buildROM(aid, image)
	case facts.Shim:
		return buildShim(aid, image)
	}
	return nil, fmt.Errorf("nobody knows how to build %T", aid)
}

func buildROM(planned facts.ROM, donor *Image) ([]byte, error) {
	driver, err := donor.Extract(NVMe.GUID)
	if err != nil {
		return nil, err
	}
	built, err := ROM{Driver: driver, Vendor: uint16(planned.Vendor), Device: uint16(planned.Device)}.Build()
	if err != nil {
		return nil, err
	}
	if romSum(built) != planned.Driver {
		return nil, errors.New("the donor's driver is not the one that was planned")
	}
	return built, nil
}

func buildShim(planned facts.Shim, donor *Image) ([]byte, error) {
	shim, err := ShimFrom(donor)
	if err != nil {
		return nil, err
	}
	if planned.Loader != "" {
		shim.Loaders = append([]string{planned.Loader}, DefaultLoaders()...)
	}
	if planned.From != (facts.SystemPartition{}) {
		shim.Wanted = &planned.From
	}
	built, err := shim.Build()
	if err != nil {
		return nil, err
	}
	if is, err := shim.fact(planned.Path); err != nil || is != planned {
		return nil, errors.Join(errors.New("the donor's parts are not those that were planned"), err)
	}
	return built, nil
}

// fact gives a shim as surveys have it.
func (s Shim) fact(named string) (facts.Shim, error) {
	rom, err := ROM{Driver: s.Driver}.Build()
	if err != nil {
		return facts.Shim{}, err
	}
	f := facts.Shim{Path: named, Driver: romSum(rom), Shell: hashOf(s.Shell)}
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
	content, err := readImageFile(files.Dir(f.Root), named)
	if err != nil {
		return nil, err
	}
	if sum := hashOf(content); sum != want {
		return nil, fmt.Errorf("donor %s was exchanged: its sha256 is %s", named, sum)
	}
	return Read(content), nil
}

// put writes a file where nothing lies but the same.
func (f Folder) put(named string, built []byte) error {
	name := filepath.Join(f.Root, named)
	there, err := files.Read(name, maxImage)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		// QEMU runs as another user, which must be able to read it.
		return files.Write(name, built, 0o644)
	case err != nil:
		return err
	case !bytes.Equal(there, built):
		return errors.New("another file is there, which is left as it is")
	default:
		return nil
	}
}

// RemoveAid removes a boot aid that lendkeep built, and nothing else.
func (f Folder) RemoveAid(_ context.Context, aid facts.Aid) error {
	if err := f.remove(aid); err != nil {
		return fmt.Errorf("remove %s %s: %w", aid.Title(), aid.At(), err)
	}
	return nil
}

func (f Folder) remove(aid facts.Aid) error {
	if err := aid.Sound(); err != nil {
		return err
	}
	name := filepath.Join(f.Root, aid.At())
	content, err := files.Read(name, maxImage)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if _, is := aid.(facts.ROM); is {
		_, err = ReadROM(content)
	} else {
		_, err = ReadShim(content)
	}
	if err != nil {
		return err
	}
	return os.Remove(name)
}
