package step

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/place"
)

const (
	mountTakes  = time.Second
	mountWithin = 15 * time.Second // also for partitions to appear after a return
)

// Filesystem is a partition of a controller's drive and where it is mounted. The
// partition is known by its GPT name on that controller and, where the drive
// could be read when the order was written, by its GPT id; never by a device
// name.
type Filesystem struct {
	Controller  facts.Identity `json:"controller"`
	Partition   string         `json:"partition"` // GPT name, for people
	PartitionID string         `json:"partition_id,omitempty"`
	FSType      string         `json:"fs_type,omitempty"` // empty: what the kernel finds
	Path        string         `json:"path"`
	Options     []string       `json:"options,omitempty"`
}

// Details tells what it is mounted with.
func (f Filesystem) Details() []Detail {
	with := strings.Join(append([]string{cmp.Or(f.FSType, "what the kernel finds")}, f.Options...), ", ")
	return []Detail{{"with", with}}
}

// Sound implements Checked, of Mount and Unmount: an order of another machine may
// name anything. What would have mount(8) run a program is refused, and what is no
// place for what guests write.
func (f Filesystem) Sound() error {
	if !facts.MountKind(f.FSType) {
		return fmt.Errorf("mount %s: %q is no kind of filesystem", f.Path, f.FSType)
	}
	if wrong := place.Wrong(f.Path); wrong != "" {
		return fmt.Errorf("mount %s: %s", f.Path, wrong)
	}
	return nil
}

func (f Filesystem) title() string {
	return fmt.Sprintf("%s of %s at %s", f.Partition, f.Controller.Controller, f.Path)
}

// known names a controller as a person finds it: by its name in the layout, and the
// serial that is on the drive.
func known(r facts.Identity) string {
	if r.Serial == "" {
		return "controller " + r.Controller
	}
	return fmt.Sprintf("controller %s (%s)", r.Controller, r.Serial)
}

// partition finds the partition on the controller as it is now.
func (f Filesystem) partition(ix *facts.Index) (*facts.Block, error) {
	where, function, _ := ix.Where(f.Controller)
	if where != facts.Home {
		return nil, fmt.Errorf("find partition %s: %s is %s, not home", f.Partition, known(f.Controller), where)
	}
	part := ix.PartitionNamed(function.Address, f.Partition)
	switch {
	case part == nil:
		return nil, fmt.Errorf("find partition %s: none, or more than one, of that name on %s", f.Partition, function.Title())
	case f.PartitionID != "" && part.Partition.ID != f.PartitionID:
		return nil, fmt.Errorf("find partition %s: the one on %s has the id %s, the order was written for %s", f.Partition, function.Title(), part.Partition.ID, f.PartitionID)
	}
	return part, nil
}

// mounted tells whether it is there (the right filesystem), or something else is.
func (f Filesystem) mounted(ix *facts.Index) (there, other bool, seen string) {
	m := ix.MountAt(f.Path)
	if m == nil {
		return false, false, "nothing is mounted at " + f.Path
	}
	part, err := f.partition(ix)
	if err != nil {
		return false, true, fmt.Sprintf("%s is mounted at %s, but %v", m.Source, f.Path, err)
	}
	if !m.Of(part, f.Path) {
		return false, true, fmt.Sprintf("%s is mounted at %s, not partition %s", m.Source, f.Path, f.Partition)
	}
	return true, false, f.Partition + " is mounted at " + f.Path
}

// makes tells whether a use is this mount itself.
func (f Filesystem) makes(ix *facts.Index, use facts.Use) bool {
	part, err := f.partition(ix)
	return err == nil && use.Kind == facts.UseMount && use.Mount.Of(part, f.Path)
}

// unused tells whether the mount is free of every use that a survey shows, what
// is mounted in it or over it above all: that has to go first.
func (f Filesystem) unused(ix *facts.Index) error { return f.unusedBut(ix, nil) }

// unusedBut leaves out the mounts that go before it.
func (f Filesystem) unusedBut(ix *facts.Index, going []Filesystem) error {
	where, function, _ := ix.Where(f.Controller)
	if where != facts.Home {
		return fmt.Errorf("unmount %s: controller %s is %s, not home", f.Path, f.Controller.Controller, where)
	}
	for _, m := range ix.Crowd(f.Path) {
		if !slices.ContainsFunc(going, func(g Filesystem) bool { return g.Path != f.Path && ix.MountAt(g.Path) == m }) {
			return fmt.Errorf("unmount %s: %s is mounted at %s", f.Path, m.Source, m.Path)
		}
	}
	for _, use := range ix.LiveUses(function.Address) {
		if use.Through(f.Path) && !slices.ContainsFunc(going, func(g Filesystem) bool { return g.makes(ix, use) }) {
			return fmt.Errorf("unmount %s: it is in use: %s", f.Path, use)
		}
	}
	return nil
}

func (f Filesystem) mount(ctx context.Context, p Ports) error {
	survey, err := p.Survey.Survey(ctx)
	if err != nil {
		return err
	}
	part, err := f.partition(facts.NewIndex(&survey))
	if err != nil {
		return err
	}
	return p.Mounts.Mount(ctx, "/dev/"+part.Name, f.FSType, f.Path, f.Options)
}

// Mount mounts a partition of a controller that is home.
type Mount struct {
	Filesystem
	// Made are the partitions of the drive on which earlier steps make
	// filesystems: from the first mount on nothing is written to its table.
	Made   []string `json:"made,omitempty"`
	Filled bool     `json:"filled,omitempty"` // an earlier step writes the drive
	In     string   `json:"in,omitempty"`     // path of the stated mount that it is in, which goes first
}

func (s *Mount) About() About {
	name := s.Controller.Controller
	a := About{Kind: "mount", Risk: Safe, Takes: mountTakes, Within: mountWithin,
		Does: "mount " + s.title(), Undoes: "unmount " + s.Path,
		Needs: []Condition{mountIs(s.Path, "absent"), controllerIs(name, "home")}, Gives: []Condition{mountIs(s.Path, "mounted")}}
	if s.Filled {
		a.Needs = append(a.Needs, driveIs(name, "filled"))
	}
	for _, partition := range s.Made {
		a.Needs = append(a.Needs, filesystemIs(name, partition, "made"))
	}
	if s.In != "" {
		a.Needs = append(a.Needs, mountIs(s.In, "mounted"))
	}
	return a
}

func (s *Mount) Ready(ix *facts.Index) error {
	part, err := s.partition(ix)
	if err != nil {
		return err
	}
	if part.Signature == nil || part.Signature.Usage != "filesystem" || s.FSType != "" && part.Signature.Kind != s.FSType {
		return fmt.Errorf("mount %s: it holds no %s filesystem", s.title(), s.FSType)
	}
	for _, use := range ix.RawUses(part) {
		if use.Kind != facts.UseProcess { // udev has open what has just come; the plan has asked for others
			return fmt.Errorf("mount %s: it is in use: %s", s.title(), use)
		}
	}
	if list := ix.MountsBelow(s.Path); len(list) > 0 {
		return fmt.Errorf("mount %s: %s is mounted below, and nobody would find it afterwards", s.title(), list[0].Path)
	}
	if s.In != "" && ix.MountAt(s.In) == nil {
		return fmt.Errorf("mount %s: nothing is mounted at %s, which it belongs into", s.title(), s.In)
	}
	return nil
}

// MayUndo refuses while anything that lendkeep can see uses a file below.
func (s *Mount) MayUndo(ix *facts.Index) error { return s.unused(ix) }

// Stands implements Step. A controller that has just come back shows its
// partitions, and udev what is on them, a while later: until then the host
// stands on neither side.
func (s *Mount) Stands(ix *facts.Index) (Standing, string) {
	there, other, seen := s.mounted(ix)
	switch {
	case there:
		return After, seen
	case other:
		return Neither, seen
	}
	part, err := s.partition(ix)
	switch {
	case (s.Filled || len(s.Made) > 0) && (err != nil || part.Signature == nil):
		return Before, seen + ", nor is the filesystem made"
	case err != nil:
		return Neither, err.Error()
	case part.Signature == nil:
		return Neither, "what is on partition " + s.Partition + " is not known yet"
	default:
		return Before, seen
	}
}

func (s *Mount) Do(ctx context.Context, p Ports) error { return s.mount(ctx, p) }

func (s *Mount) Undo(ctx context.Context, p Ports) error { return p.Mounts.Unmount(ctx, s.Path) }

// Unmount unmounts a partition so that its controller can be lent.
type Unmount struct {
	Filesystem
	Users []string `json:"users,omitempty"` // guests whose disks are on it
	Holds []string `json:"holds,omitempty"` // paths of the stated mounts in it, which go first
}

func (s *Unmount) About() About {
	a := About{Kind: "unmount", Risk: Safe, Takes: mountTakes, Within: mountWithin,
		Does: "unmount " + s.title(), Undoes: "mount it again",
		Needs: []Condition{mountIs(s.Path, "mounted"), controllerIs(s.Controller.Controller, "home")}, Gives: []Condition{mountIs(s.Path, "absent")}}
	for _, guest := range s.Users {
		a.Needs = append(a.Needs, guestIs(guest, "off"))
	}
	for _, inner := range s.Holds {
		a.Needs = append(a.Needs, mountIs(inner, "absent"))
	}
	return a
}

// Ready refuses while anything that lendkeep can see still uses a file below.
func (s *Unmount) Ready(ix *facts.Index) error { return s.unused(ix) }

func (s *Unmount) MayUndo(ix *facts.Index) error {
	if list := ix.MountsBelow(s.Path); len(list) > 0 {
		return fmt.Errorf("mount %s: %s is mounted below, and nobody would find it afterwards", s.title(), list[0].Path)
	}
	_, err := s.partition(ix)
	return err
}

func (s *Unmount) Stands(ix *facts.Index) (Standing, string) {
	there, other, seen := s.mounted(ix)
	switch {
	case there:
		return Before, seen
	case other:
		return Neither, seen
	default:
		return After, seen
	}
}

func (s *Unmount) Do(ctx context.Context, p Ports) error { return p.Mounts.Unmount(ctx, s.Path) }

func (s *Unmount) Undo(ctx context.Context, p Ports) error { return s.mount(ctx, p) }
