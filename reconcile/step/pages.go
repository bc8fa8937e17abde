package step

import (
	"context"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// Pages sets how many huge pages a node keeps.
type Pages interface {
	// KeepPages has the kernel keep that many pages of a size on a node. Where it
	// gets fewer together, those stay and the error says how many; the caller sets
	// what it was before.
	KeepPages(ctx context.Context, node int, sizeBytes uint64, pages int) error
}

// KeepPages has a node keep another number of huge pages: more for guests that
// start with them, fewer once no guest wants them.
type KeepPages struct {
	Node      int      `json:"node"`
	SizeBytes uint64   `json:"size_bytes"` // of one page
	Before    int      `json:"before"`     // what the node keeps now
	After     int      `json:"after"`
	Guests    []string `json:"guests,omitempty"` // whose memory they are, or were
	Off       []string `json:"off,omitempty"`    // guests that earlier steps shut down, whose memory is free then
}

// mostBytes bounds what pages may be together: no machine has so much memory (Linux
// Documentation/arch/x86/x86_64/mm.rst: 4 PiB with five levels of page tables).
const mostBytes = 4 << 50

// Sound refuses a number that is none, or no change.
func (s *KeepPages) Sound() error {
	if s.SizeBytes > 0 && uint64(max(s.Before, s.After, 0)) > mostBytes/s.SizeBytes {
		return fmt.Errorf("%d huge pages of %d bytes are more than a machine can have", max(s.Before, s.After), s.SizeBytes)
	}
	if s.Before < 0 || s.After < 0 || s.Before == s.After || s.SizeBytes == 0 || s.Node < 0 {
		return fmt.Errorf("%d huge pages of %d bytes on node %d instead of %d are no change that can be made", s.After, s.SizeBytes, s.Node, s.Before)
	}
	return nil
}

// A page is cleared when it is reserved, at some GiB a second; making large ones
// moves other memory out of the way first (common practice).
const pagesRate = 1 << 30 // bytes a second

func (s *KeepPages) About() About {
	name := s.name()
	a := About{Kind: "keep pages", Risk: Safe, Within: 2 * time.Second,
		Takes:  time.Second + time.Duration(uint64(max(0, s.After-s.Before))*s.SizeBytes/pagesRate)*time.Second,
		Does:   fmt.Sprintf("reserve %s: %d instead of %d", name, s.After, s.Before),
		Undoes: fmt.Sprintf("keep %d of them as before", s.Before),
		Gives:  []Condition{pagesAre(name, "as planned")}}
	if s.After < s.Before {
		a.Does = fmt.Sprintf("give back %s: %d instead of %d", name, s.After, s.Before)
		a.Undoes = fmt.Sprintf("reserve %d of them as before, as far as the memory is still there in one piece", s.Before)
	}
	for _, guest := range s.Off {
		a.Needs = append(a.Needs, guestIs(guest, "off"))
	}
	return a
}

// name says which pages.
func (s *KeepPages) name() string { return PagesOn(s.Node, s.SizeBytes) }

// PagesOn names the pages of a size on a node.
func PagesOn(node int, sizeBytes uint64) string {
	return fmt.Sprintf("huge pages of %s on node %d", facts.Size(sizeBytes), node)
}

// Details tells how much memory that is, whose, and how long it holds.
func (s *KeepPages) Details() []Detail {
	amount := max(s.After, s.Before) - min(s.After, s.Before)
	list := []Detail{{"memory", fmt.Sprintf("%s of node %d, for guests alone while it is reserved", facts.Size(uint64(amount)*s.SizeBytes), s.Node)}}
	if s.After < s.Before {
		list[0].Text = fmt.Sprintf("%s of node %d, for the whole host again", facts.Size(uint64(amount)*s.SizeBytes), s.Node)
	}
	list = append(list, details("guest", s.Guests)...)
	if s.After > s.Before {
		list = append(list, Detail{"lasts", "until an order gives them back or the host starts anew; after that plan and apply again, or name them on the kernel's command line"})
	}
	return list
}

// now gives what the node keeps, or why nobody knows.
func (s *KeepPages) now(ix *facts.Index) (*facts.Pages, error) {
	t := &ix.Survey.Topology
	if gap := t.Gap("nodes", fmt.Sprint("node ", s.Node)); gap != nil {
		return nil, fmt.Errorf("%s could not be read: %s", gap.Path, gap.Reason)
	}
	n := t.Node(s.Node)
	if n == nil {
		return nil, fmt.Errorf("the host has no node %d", s.Node)
	}
	p := n.Pages(s.SizeBytes)
	if p == nil {
		return nil, fmt.Errorf("node %d has no huge pages of %s", s.Node, facts.Size(s.SizeBytes))
	}
	return p, nil
}

// Ready refuses to give back what somebody uses: the kernel would take it only
// later.
func (s *KeepPages) Ready(ix *facts.Index) error {
	p, err := s.now(ix)
	if err != nil {
		return fmt.Errorf("keep %d %s: %w", s.After, s.name(), err)
	}
	return s.unused(p, s.After)
}

// unused refuses a number below what is in use.
func (s *KeepPages) unused(p *facts.Pages, pages int) error {
	if used := p.Total - p.Free; pages < p.Kept() && used > pages {
		return fmt.Errorf("keep %d %s: %d are in use; end what uses them (a guest, or a program that maps /dev/hugepages)", pages, s.name(), used)
	}
	return nil
}

// MayUndo refuses where somebody else has set the number since.
func (s *KeepPages) MayUndo(ix *facts.Index) error {
	p, err := s.now(ix)
	switch {
	case err != nil:
		return fmt.Errorf("keep %d %s again: %w", s.Before, s.name(), err)
	case p.Kept() < min(s.Before, s.After) || p.Kept() > max(s.Before, s.After):
		return fmt.Errorf("keep %d %s again: somebody has set another number, %d", s.Before, s.name(), p.Kept())
	}
	return s.unused(p, s.Before)
}

// Stands implements Step. Fewer than asked for is neither: the kernel gives what it
// finds.
func (s *KeepPages) Stands(ix *facts.Index) (Standing, string) {
	p, err := s.now(ix)
	if err != nil {
		return Neither, err.Error()
	}
	text := fmt.Sprintf("node %d keeps %s", s.Node, plain.Count(p.Kept(), "huge page")+" of "+facts.Size(s.SizeBytes))
	switch p.Kept() {
	case s.Before:
		return Before, text
	case s.After:
		return After, text
	default:
		return Neither, text
	}
}

func (s *KeepPages) Do(ctx context.Context, p Ports) error {
	return p.Pages.KeepPages(ctx, s.Node, s.SizeBytes, s.After)
}

func (s *KeepPages) Undo(ctx context.Context, p Ports) error {
	return p.Pages.KeepPages(ctx, s.Node, s.SizeBytes, s.Before)
}
