package holding

import (
	"cmp"
	"context"
	"errors"
	"os"
	"slices"
	"time"

	"github.com/moby/sys/mountinfo"

	"lendkeep/reconcile/facts"
)

// passing is how long udev, or whoever else asks as we do, may have a device
// open (common practice: a few hundredths of a second).
const passing = 300 * time.Millisecond

// askWithin is how long all questions together may take: those to a drive that
// hangs would never end.
const askWithin = 10 * time.Second

// AskAll asks of every function that a driver has, and who is logged in over the
// network.
func AskAll(ctx context.Context, s *facts.Survey) {
	list, err := processes()
	if err == nil {
		s.Sessions, err = sessions(os.Getenv("SSH_CONNECTION"), list)
	}
	if err != nil {
		s.Gaps = append(s.Gaps, facts.Gap{Fact: "sessions", Path: "/proc", Reason: err.Error()})
	}
	var all []facts.Address
	for _, f := range s.Functions {
		all = append(all, f.Address)
	}
	Ask(ctx, s, all...)
}

// Ask asks this machine's kernel who holds what is below functions, and notes
// the answers in a survey of it. What shows a use that may be over in a moment
// is asked again. What cannot be had is a gap.
func Ask(ctx context.Context, s *facts.Survey, functions ...facts.Address) {
	if len(functions) == 0 {
		return
	}
	of := map[facts.Address]bool{} // false: it is on VFIO, where it has no drives to ask about
	ix := facts.NewIndex(s)
	for _, f := range s.Functions {
		if slices.Contains(functions, f.Address) && f.Driver != "" && !(f.OnVFIO() && lentAlong(ix, f.Address)) {
			of[f.Address] = !f.OnVFIO()
		}
	}
	if len(of) == 0 {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	if look(ctx, s, of); !transient(s, of) {
		return
	}
	select {
	case <-ctx.Done():
	case <-time.After(passing):
		look(ctx, s, of)
	}
}

// AskDisks asks of the block devices that paths lead to, and that nobody asked of yet,
// whether somebody holds them: mounts in other namespaces above all, which nothing
// else shows. Who that is it does not look for.
func AskDisks(ctx context.Context, s *facts.Survey, named ...string) {
	if len(named) == 0 {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	ix := facts.NewIndex(s)
	for _, name := range named {
		b := ix.Device(name)
		if b == nil || b.Exclusive != facts.NotAsked || hiddenPath(*b) {
			continue
		}
		if askBlock(ctx, b); b.Exclusive == facts.HeldBySomeone { // udev may be looking
			select {
			case <-ctx.Done():
			case <-time.After(passing):
				askBlock(ctx, b)
			}
		}
	}
}

// transient tells whether an answer may be another one soon: of a process that
// has a device open, or of somebody without a name.
func transient(s *facts.Survey, of map[facts.Address]bool) bool {
	ix := facts.NewIndex(s)
	for at := range of {
		if slices.ContainsFunc(ix.LiveUses(at), func(u facts.Use) bool { return u.Kind == facts.UseProcess || u.Kind == facts.UseUnknown }) {
			return true
		}
	}
	return false
}

// look asks once, and forgets earlier answers.
func look(ctx context.Context, s *facts.Survey, of map[facts.Address]bool) {
	s.Mounts = slices.DeleteFunc(s.Mounts, func(m facts.Mount) bool { return m.Elsewhere != "" })
	for i := range s.Functions {
		if f := &s.Functions[i]; in(of, f.Address) {
			f.Asked = of[f.Address]
			f.Attached = slices.DeleteFunc(slices.Clone(f.Attached), func(a facts.Attached) bool { return len(a.Openers) > 0 })
			f.Gaps = without(f.Gaps, facts.GapUsers)
		}
	}
	for i := range s.Blocks {
		if b := &s.Blocks[i]; b.Controller != nil && of[*b.Controller] {
			askBlock(ctx, b)
		}
	}
	shareHidden(ctx, s, of)
	if err := lookAround(ctx, s, of); err != nil {
		for i := range s.Functions {
			if f := &s.Functions[i]; in(of, f.Address) {
				f.Gaps = append(f.Gaps, facts.Gap{Fact: facts.GapUsers, Path: "/proc", Reason: err.Error()})
			}
		}
	}
}

func in(of map[facts.Address]bool, at facts.Address) bool {
	_, there := of[at]
	return there
}

const gapExclusive = "exclusive"

func askBlock(ctx context.Context, b *facts.Block) {
	b.Openers, b.Gaps = nil, without(b.Gaps, gapExclusive)
	if hiddenPath(*b) {
		return
	}
	var err error
	if b.Exclusive, err = exclusive(ctx, *b); err != nil {
		b.Gaps = append(b.Gaps, facts.Gap{Fact: gapExclusive, Path: "/dev/" + b.Name, Reason: err.Error()})
	}
}

// hiddenPath tells whether a block device is only a path to another one, for
// which there is no node to open: it has no number.
func hiddenPath(b facts.Block) bool {
	return !b.Devno.Known() && len(b.Holders) > 0 && len(b.Gaps) == 0
}

// shareHidden gives paths the answer of what they lead to.
func shareHidden(ctx context.Context, s *facts.Survey, of map[facts.Address]bool) {
	for i := range s.Blocks {
		b := &s.Blocks[i]
		if b.Controller == nil || !of[*b.Controller] || !hiddenPath(*b) {
			continue
		}
		for _, head := range s.Blocks {
			if head.Name == b.Holders[0] {
				if b.Exclusive = head.Exclusive; b.Exclusive == facts.NotAsked {
					b.Exclusive, _ = exclusive(ctx, head)
				}
			}
		}
	}
}

// lookAround looks for names: processes, and mounts of other namespaces.
func lookAround(ctx context.Context, s *facts.Survey, of map[facts.Address]bool) error {
	nodes, errNodes := nodesBelow(s, of)
	wanted := map[node]bool{}
	for _, c := range nodes {
		wanted[c.node] = true
	}
	for _, b := range s.Blocks {
		if b.Controller != nil && of[*b.Controller] && !hiddenPath(b) {
			wanted[node{kind: block, at: b.Devno}] = true
		}
	}
	list, errList := processes()
	spaces, errSpaces := readNamespaces(ctx, list)
	s.Mounts = append(s.Mounts, spaces.elsewhere(s, of)...)
	opened, errOpened := openers(ctx, wanted, list, spaces)
	for i := range s.Blocks {
		b := &s.Blocks[i]
		if b.Controller != nil && of[*b.Controller] && !hiddenPath(*b) {
			b.Openers = opened[node{kind: block, at: b.Devno}]
		}
	}
	found := map[facts.Address][]facts.Attached{}
	for _, c := range nodes {
		if who := opened[c.node]; len(who) > 0 {
			found[c.function] = append(found[c.function], facts.Attached{Name: c.name, Class: c.class, Openers: who})
		}
	}
	for i := range s.Functions {
		f := &s.Functions[i]
		f.Attached = append(f.Attached, found[f.Address]...)
		slices.SortFunc(f.Attached, func(a, b facts.Attached) int {
			return cmp.Or(cmp.Compare(a.Class, b.Class), cmp.Compare(a.Name, b.Name))
		})
	}
	return errors.Join(errNodes, errList, errSpaces, errOpened)
}

// maxElsewhere is how many mounts of other namespaces are named: that somebody
// holds a device the kernel itself says.
const maxElsewhere = 256

// elsewhere gives the mounts from functions' drives that other namespaces have
// and would keep, one for each device and namespace. Where the host's own system is
// they are left out: it is never lent, and every service has some.
func (all namespaces) elsewhere(s *facts.Survey, of map[facts.Address]bool) []facts.Mount {
	known := map[facts.Devno]bool{}
	named := map[string]string{}
	for _, b := range s.Blocks {
		if b.Controller != nil && of[*b.Controller] && !hiddenPath(b) {
			known[b.Devno] = true
			named["/dev/"+b.Name] = b.Name
		}
	}
	for _, m := range s.Mounts {
		if m.Path == "/" {
			delete(known, m.Devno)
		}
	}
	masters := all.masters()
	var list []facts.Mount
	for _, n := range all.others {
		seen := map[facts.Devno]bool{}
		for _, m := range n.mounts {
			at := facts.Devno{Major: uint32(m.Major), Minor: uint32(m.Minor)}
			spans := at.Major == 0 && named[m.Source] != "" // as btrfs is
			if !known[at] && !spans || seen[at] || len(list) == maxElsewhere || !all.stays(m, n.mounts, masters) {
				continue
			}
			seen[at] = true
			list = append(list, n.mount(m, at, named))
		}
	}
	return list
}

func (n namespace) mount(m *mountinfo.Info, at facts.Devno, named map[string]string) facts.Mount {
	made := facts.Mount{Devno: at, Root: m.Root, Path: m.Mountpoint, Kind: m.FSType, Source: m.Source, Elsewhere: n.of.title()}
	if at.Major == 0 {
		made.Devices = []string{named[m.Source]}
	}
	return made
}

func without(gaps []facts.Gap, fact string) []facts.Gap {
	return slices.DeleteFunc(gaps, func(g facts.Gap) bool { return g.Fact == fact })
}
