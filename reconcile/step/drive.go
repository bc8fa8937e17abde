package step

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/facts"
)

const (
	tableTakes  = 3 * time.Second
	driveWithin = 15 * time.Second // until the kernel and udev show what was written
)

// Target is a drive that steps write, and the controller it hangs on.
type Target struct {
	Controller facts.Identity `json:"controller"`
	Drive      facts.Drive    `json:"drive"`
	Keep       string         `json:"keep"` // name of what this order keeps beside its journal
	// Mounts are those that the layout states of the drive: the guard mounts them whenever
	// a guest gives it back, and an undo has them go first.
	Mounts []Filesystem `json:"mounts,omitempty"`
}

// Sound implements Checked, of all that write a drive: an order of another machine
// may name anything.
func (t Target) Sound() error {
	if !facts.KeepName(t.Keep) {
		return fmt.Errorf("%q is no name for what is kept", t.Keep)
	}
	for _, m := range t.Mounts {
		if err := m.Sound(); err != nil {
			return err
		}
	}
	return nil
}

func (t Target) name() string { return t.Controller.Controller }

// title names the drive for people.
func (t Target) title() string {
	return fmt.Sprintf("the drive of %s (%s)", t.Controller.Controller, t.Drive.Serial)
}

// look finds the drive as it is now, and what was read of it.
func (t Target) look(ix *facts.Index) (*facts.Block, *facts.Content, error) {
	where, f, _ := ix.Where(t.Controller)
	if where != facts.Home {
		return nil, nil, fmt.Errorf("find %s: the controller is %s, not home", t.title(), where)
	}
	for _, n := range f.NVMe.Namespaces {
		if n.ID != t.Drive.Namespace {
			continue
		}
		b := ix.Block(n.Block)
		switch {
		case b == nil:
			return nil, nil, fmt.Errorf("find %s: its block device %s is not there", t.title(), n.Block)
		case b.SizeBytes != t.Drive.SizeBytes || b.SectorBytes != t.Drive.SectorBytes:
			return nil, nil, fmt.Errorf("find %s: it has %d bytes in sectors of %d, the order was written for %d in sectors of %d", t.title(), b.SizeBytes, b.SectorBytes, t.Drive.SizeBytes, t.Drive.SectorBytes)
		}
		content := ix.Content(b.Name)
		if content == nil {
			return b, nil, fmt.Errorf("look into %s: nothing was read of it", t.title())
		}
		if len(content.Gaps) > 0 {
			return b, nil, fmt.Errorf("look into %s: its %s is not known: %s", t.title(), content.Gaps[0].Fact, content.Gaps[0].Reason)
		}
		return b, content, nil
	}
	return nil, nil, fmt.Errorf("find %s: its controller has no namespace %d", t.title(), t.Drive.Namespace)
}

// plain refuses a drive that is more than its table says: what an array or a
// filesystem of the whole keeps beside a table is not written over.
func (t Target) plain(content *facts.Content) error {
	if content.Signature == nil {
		return nil
	}
	return fmt.Errorf("write %s: it holds %s", t.title(), content.Describe())
}

// blank refuses a drive that holds anything. One that the order erased before is
// bare: between its ends may lie what was erased.
func (t Target) blank(content *facts.Content, erased bool) error {
	if content.Blank || erased && content.Bare() {
		return nil
	}
	return fmt.Errorf("write %s: it is not blank: it holds %s", t.title(), content.Describe())
}

// erased gives the serial, which the approval asks for, of a step that may write
// over what is there.
func (t Target) erased(may bool) string {
	if may {
		return t.Drive.Serial
	}
	return ""
}

// unused refuses while the host, or a guest, uses anything on the drive.
func (t Target) unused(ix *facts.Index) error {
	where, f, _ := ix.Where(t.Controller)
	if where != facts.Home {
		return fmt.Errorf("write %s: the controller is %s, not home", t.title(), where)
	}
	return t.unusedBut(ix, f, nil)
}

// unusedBut leaves out the mounts that go first.
func (t Target) unusedBut(ix *facts.Index, f *facts.Function, going []Filesystem) error {
	for _, use := range ix.LiveUses(f.Address) {
		if !slices.ContainsFunc(going, func(m Filesystem) bool { return m.makes(ix, use) }) {
			return fmt.Errorf("write %s: it is in use: %s", t.title(), use)
		}
	}
	if why := ix.Unasked(f.Address); why != "" {
		return fmt.Errorf("write %s: %s", t.title(), why)
	}
	return nil
}

// MayUndo implements Step for all that write a drive: the guard may have mounted what
// is stated of it when a guest gave it back, and nobody may use that.
func (t Target) MayUndo(ix *facts.Index) error {
	where, f, _ := ix.Where(t.Controller)
	if where != facts.Home {
		return t.unused(ix)
	}
	going := t.mounted(ix)
	for _, m := range going {
		if err := m.unusedBut(ix, going); err != nil {
			return err
		}
	}
	return t.unusedBut(ix, f, going)
}

// mounted gives those of the stated mounts that are there, the inner ones first.
func (t Target) mounted(ix *facts.Index) []Filesystem {
	var list []Filesystem
	for _, m := range t.Mounts {
		if there, _, _ := m.mounted(ix); there {
			list = append(list, m)
		}
	}
	slices.SortFunc(list, func(a, b Filesystem) int { return strings.Compare(b.Path, a.Path) })
	return list
}

// undo has the stated mounts go, then undoes what was written.
func (t Target) undo(ctx context.Context, p Ports, written func() error) error {
	if len(t.Mounts) > 0 {
		survey, err := p.Survey.Survey(ctx)
		if err != nil {
			return err
		}
		for _, m := range t.mounted(facts.NewIndex(&survey)) {
			if err := p.Mounts.Unmount(ctx, m.Path); err != nil {
				return err
			}
		}
	}
	return written()
}

// ClearDrive takes the old content of a drive out of sight: its table and what
// else is at its ends, which are kept first.
type ClearDrive struct {
	Target
	Holds string `json:"holds"` // what is on it, in words
	Table string `json:"table"` // the old table's id; empty: none
	Then  string `json:"then"`  // id of the table that later steps write
}

func (s *ClearDrive) About() About {
	return About{Kind: "clear drive", Risk: Erases, Takes: tableTakes, Within: driveWithin,
		Does:   "erase " + s.title() + ", which holds " + s.Holds,
		Undoes: "put both ends of the drive back, with the old table; what was written between them since is lost",
		Needs:  []Condition{driveIs(s.name(), "as found"), controllerIs(s.name(), "home")},
		Gives:  []Condition{driveIs(s.name(), "blank")}, Erases: s.Drive.Serial}
}

// Ready refuses where the drive holds something else than the order told whoever
// approved it.
func (s *ClearDrive) Ready(ix *facts.Index) error {
	if err := s.unused(ix); err != nil {
		return err
	}
	_, content, err := s.look(ix)
	if err != nil {
		return err
	}
	if holds := content.Describe(); holds != s.Holds {
		return fmt.Errorf("erase %s: it holds %s, not %s as the order says; plan again", s.title(), holds, s.Holds)
	}
	return nil
}

func (s *ClearDrive) Stands(ix *facts.Index) (Standing, string) {
	_, content, err := s.look(ix)
	switch {
	case err != nil:
		return Neither, err.Error()
	case content.Bare():
		return After, s.title() + " is blank"
	case content.Table.DiskIdentifier() == s.Table && content.Unfinished == "":
		return Before, s.title() + " holds " + content.Describe()
	case content.Signature == nil && content.Table.DiskIdentifier() == s.Then || content.Unfinished == s.Keep:
		return After, s.title() + " is filled anew"
	default:
		return Neither, s.title() + " holds " + content.Describe()
	}
}

func (s *ClearDrive) Do(ctx context.Context, p Ports) error {
	return p.Drives.Clear(ctx, s.Drive, s.Keep)
}

func (s *ClearDrive) Undo(ctx context.Context, p Ports) error {
	return s.undo(ctx, p, func() error { return p.Drives.PutBack(ctx, s.Drive, s.Keep) })
}
