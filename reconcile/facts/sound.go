package facts

import (
	"errors"
	"fmt"
	"path"
	"slices"
)

// sound holds what every question to a survey relies on: each thing is there
// once, and what one fact names another one has.
func (s Survey) sound() error {
	checks := []func() error{s.once, s.soundTopology, s.soundSystems, s.soundFunctions, s.soundBlocks, s.soundHolders, s.soundMounts, s.soundGuests}
	for _, check := range checks {
		if err := check(); err != nil {
			return err
		}
	}
	return nil
}

// once refuses two entries under one name: of the two, an index would show one.
func (s Survey) once() error {
	numbered := slices.DeleteFunc(slices.Clone(s.Blocks), func(b Block) bool { return !b.Devno.Known() })
	for _, err := range []error{
		twice("function", s.Functions, func(f Function) string { return f.Address.String() }),
		twice("block device", s.Blocks, func(b Block) string { return b.Name }),
		twice("device number", numbered, func(b Block) string { return b.Devno.String() }),
		twice("virtual function", numberedVirtuals(s.Functions), func(f Function) string { return fmt.Sprintf("%d of %s", *f.VirtualNumber, *f.Parent) }),
		twice("path", s.Paths, func(p Path) string { return p.Named }),
		twice("guest", s.Libvirt.Guests, func(g Guest) string { return g.Name }),
		twice("pool", s.Libvirt.Pools, func(p Pool) string { return p.Name }),
		twice("content of", s.Contents, func(c Content) string { return c.Of }),
		twice("asked guest", s.Asked, func(i Installed) string { return i.Guest }),
		twice("firmware", s.Firmware, func(f Firmware) string { return f.Path }),
		twice("variable store", s.Stores, func(v VariableStore) string { return v.Path }),
		twice("option ROM", s.ROMs, func(p PlacedROM) string { return p.Path }),
		twice("shim disk", s.Shims, func(p PlacedShim) string { return p.Path }),
	} {
		if err != nil {
			return err
		}
	}
	return nil
}

// soundSystems refuses a question that is answered twice, and a guest's answer in
// a disk's place: of two answers the first would count.
func (s Survey) soundSystems() error {
	once := func(of string, i *Installed) error {
		return twice("what "+of+" says of its", i.Answers, func(a Answer) string { return string(a.Question) })
	}
	for i := range s.Asked {
		if err := once("guest "+s.Asked[i].Guest, &s.Asked[i]); err != nil {
			return err
		}
	}
	for _, c := range s.Contents {
		if c.System == nil {
			continue
		}
		if c.System.Guest != "" {
			return fmt.Errorf("the system on %s is said to be of guest %s, but was read from bytes", c.Of, c.System.Guest)
		}
		if err := once(c.Of, c.System); err != nil {
			return err
		}
	}
	return nil
}

func twice[T any](what string, list []T, name func(T) string) error {
	seen := make(map[string]bool, len(list))
	for _, v := range list {
		if seen[name(v)] {
			return fmt.Errorf("%s %q is listed twice", what, name(v))
		}
		seen[name(v)] = true
	}
	return nil
}

// soundFunctions follows every function up to its root: a path that ends at a
// function which is not there, or comes back, tells nothing of what is above.
func (s Survey) soundFunctions() error {
	above := make(map[Address]*Address, len(s.Functions))
	for _, f := range s.Functions {
		above[f.Address] = f.Upstream
	}
	for _, f := range s.Functions {
		steps := 0
		for up := f.Upstream; up != nil; steps++ {
			next, there := above[*up]
			if !there {
				return fmt.Errorf("function %s is below %s, which the survey does not have", f.Address, *up)
			}
			if steps > len(s.Functions) {
				return fmt.Errorf("function %s is below itself", f.Address)
			}
			up = next
		}
	}
	return nil
}

// soundBlocks holds that every drive hangs on a function of the survey, every
// partition on a drive, and every namespace of a controller is there as a drive
// of that controller.
func (s Survey) soundBlocks() error {
	functions := make(map[Address]bool, len(s.Functions))
	for _, f := range s.Functions {
		functions[f.Address] = true
	}
	blocks := s.blocks()
	for _, b := range s.Blocks {
		if b.Controller != nil && !functions[*b.Controller] {
			return fmt.Errorf("drive %s is on controller %s, which the survey does not have", b.Name, *b.Controller)
		}
		if b.Whole == "" {
			continue
		}
		whole := blocks[b.Whole]
		switch {
		case whole == nil || whole.Whole != "":
			return fmt.Errorf("%s is a partition of %s, which is no drive of the survey", b.Name, b.Whole)
		case b.Controller != nil && (whole.Controller == nil || *whole.Controller != *b.Controller):
			return fmt.Errorf("%s and its partition %s are not on one controller", b.Whole, b.Name)
		}
	}
	return s.soundNamespaces(blocks)
}

func (s Survey) soundNamespaces(blocks map[string]*Block) error {
	for at, n := range s.Namespaces() {
		b := blocks[n.Block]
		if n.Block != "" && (b == nil || b.Controller == nil || *b.Controller != at) {
			return fmt.Errorf("namespace %d of %s is %s, which is no drive of its", n.ID, at, n.Block)
		}
	}
	return nil
}

func (s Survey) blocks() map[string]*Block {
	blocks := make(map[string]*Block, len(s.Blocks))
	for i := range s.Blocks {
		blocks[s.Blocks[i].Name] = &s.Blocks[i]
	}
	return blocks
}

// soundHolders refuses a holder that is not there, since its users are not
// known then, and devices that are built on themselves.
func (s Survey) soundHolders() error {
	blocks := s.blocks()
	const open, done = 1, 2
	marks := make(map[string]int, len(blocks))
	var follow func(b *Block, depth int) error
	follow = func(b *Block, depth int) error {
		marks[b.Name] = open
		for _, name := range b.Holders {
			above := blocks[name]
			switch {
			case above == nil:
				return fmt.Errorf("%s is held by %s, which the survey does not have", b.Name, name)
			case marks[name] == open:
				return fmt.Errorf("%s is built on itself, by way of %s", name, b.Name)
			case depth > deepest:
				return fmt.Errorf("more than %d devices are built on one another, up to %s", deepest, name)
			case marks[name] != done:
				if err := follow(above, depth+1); err != nil {
					return err
				}
			}
		}
		marks[b.Name] = done
		return nil
	}
	for i := range s.Blocks {
		if err := follow(&s.Blocks[i], 0); err != nil {
			return err
		}
	}
	return nil
}

// deepest is how many devices may be built on one another (common practice: a
// volume on a mirror on crypt on partitions is five).
const deepest = 1000

// soundMounts holds that mounts and swap areas are somewhere. That a mount's
// device is not there is no mistake: its drive may have been pulled.
func (s Survey) soundMounts() error {
	for _, m := range s.Mounts {
		if !path.IsAbs(m.Path) {
			return fmt.Errorf("mount %q of %s is at no absolute path", m.Path, m.Devno)
		}
	}
	for _, w := range s.Swaps {
		if w.Path == "" {
			return errors.New("a swap area has no path")
		}
	}
	return nil
}

// soundGuests holds that a guest is off or running, never both, and has the
// definition that goes with it, unless a gap says that libvirt did not give it.
func (s Survey) soundGuests() error {
	told := len(s.Libvirt.Gaps) > 0
	for _, g := range s.Libvirt.Guests {
		switch {
		case g.Name == "":
			return errors.New("a guest has no name")
		case !g.Running && g.Live != nil:
			return fmt.Errorf("guest %s is off, and has a running definition", g.Name)
		case told:
		case g.Running && g.Live == nil:
			return fmt.Errorf("guest %s is running, and its running definition is missing", g.Name)
		case g.Kept == nil && g.Live == nil:
			return fmt.Errorf("guest %s has no definition", g.Name)
		}
	}
	return nil
}
