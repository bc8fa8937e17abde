package memory

import (
	"context"
	"fmt"
	"slices"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// Done is a step by hand that somebody confirmed, and what was seen of the system
// before they did it.
type Done struct {
	Name  string            `json:"name"`
	Image string            `json:"image"`
	Was   *facts.Installed  `json:"was,omitempty"`
	Asked []facts.Installed `json:"asked,omitempty"`
}

// StartAtBoot lets the driver of a system on a drive start at boot, as the real
// one does: where that can be mended in place.
func (h *Host) StartAtBoot(ctx context.Context, d facts.Drive, keep string) error {
	return h.writing("let driver start at boot", d, func(b *facts.Block, content *facts.Content) error {
		driver := content.System.Answer(facts.AsksDriver)
		switch {
		case driver.Says == facts.Present:
			return nil
		case !driver.Mendable:
			return fmt.Errorf("let driver on %s start at boot: it cannot be changed in place", b.Name)
		}
		name := keep + " system"
		if _, kept := h.ends[name]; !kept {
			h.ends[name] = Ends{Keep: name, Content: facts.Content{Of: b.Name, System: content.System}}
		}
		content.System = mended(content.System, facts.AsksDriver)
		return nil
	})
}

// UndoStartAtBoot gives a system on a drive its old values back.
func (h *Host) UndoStartAtBoot(ctx context.Context, d facts.Drive, keep string) error {
	return h.writing("put driver's values back", d, func(b *facts.Block, content *facts.Content) error {
		if kept, ok := h.ends[keep+" system"]; ok {
			content.System = kept.Content.System
		}
		return nil
	})
}

// mended gives a system of which a question is as it must be.
func mended(i *facts.Installed, q facts.Matter) *facts.Installed {
	made := *i
	made.Answers = slices.Clone(made.Answers)
	for n := range made.Answers {
		if a := &made.Answers[n]; a.Question == q {
			*a = facts.Answer{Question: q, Says: facts.Present, Where: a.Where, Seen: "it was seen to"}
		}
	}
	return &made
}

// Confirm has everybody do and confirm what they are asked.
func (h *Host) Confirm(ctx context.Context, s *step.ByHand) error {
	return h.deed("confirm by hand", func() error {
		if slices.Contains(h.survey.Confirmed, s.Name()) {
			return nil
		}
		h.survey.Confirmed = append(h.survey.Confirmed, s.Name())
		done := Done{Name: s.Name(), Image: s.Image, Asked: h.survey.Asked}
		if content := h.imageAt(s.Image); content != nil && content.System != nil {
			done.Was = content.System
			content.System = mended(content.System, facts.Matter(s.Hand))
		}
		h.survey.Asked = slices.Clone(h.survey.Asked)
		ix := facts.NewIndex(&h.survey)
		for i := range h.survey.Asked {
			if asked := &h.survey.Asked[i]; ix.Guest(asked.Guest) != nil && ix.Has(ix.Guest(asked.Guest), s.Image) {
				*asked = *mended(asked, facts.Matter(s.Hand))
			}
		}
		h.done = append(h.done, done)
		return nil
	})
}

// Forget forgets what was confirmed, and the person undoes what they did.
func (h *Host) Forget(ctx context.Context, s *step.ByHand) error {
	return h.deed("forget confirmation", func() error {
		h.survey.Confirmed = slices.DeleteFunc(h.survey.Confirmed, func(name string) bool { return name == s.Name() })
		i := slices.IndexFunc(h.done, func(d Done) bool { return d.Name == s.Name() })
		if i < 0 {
			return nil
		}
		done := h.done[i]
		h.done = slices.Delete(slices.Clone(h.done), i, i+1)
		h.survey.Asked = done.Asked
		if content := h.imageAt(done.Image); content != nil && done.Was != nil {
			content.System = done.Was
		}
		return nil
	})
}

func (h *Host) imageAt(path string) *facts.Content {
	i := slices.IndexFunc(h.survey.Contents, func(c facts.Content) bool { return c.Image && c.Of == path })
	if i < 0 {
		return nil
	}
	return &h.survey.Contents[i]
}

// believe has an image that a running guest was asked about hold what that guest
// says: bytes that were read while it wrote them say nothing.
func (h *Host) believe() {
	ix := facts.NewIndex(&h.survey)
	for i := range h.survey.Contents {
		content := &h.survey.Contents[i]
		if !content.Image || !written(ix, content.Of) {
			continue
		}
		if says := ix.SystemIn(content.Of).System; says != nil {
			made := *says
			made.Guest, made.AskedAt = "", time.Time{}
			content.System = &made
		}
	}
}

// shown gives a survey as a real one is taken: of the systems of running guests
// alone somebody was asked, and what is being written was not read.
func shown(s facts.Survey) facts.Survey {
	looked := func(c facts.Content) bool { return c.Image && c.System != nil }
	if len(s.Asked) == 0 && !slices.ContainsFunc(s.Contents, looked) {
		return s
	}
	ix := facts.NewIndex(&s)
	s.Asked = slices.DeleteFunc(s.Asked, func(i facts.Installed) bool { g := ix.Guest(i.Guest); return g == nil || !g.Running })
	for i := range s.Contents {
		if c := &s.Contents[i]; looked(*c) && written(ix, c.Of) {
			c.System = nil
		}
	}
	return s
}

// written tells whether a running guest has an image.
func written(ix *facts.Index, image string) bool {
	return slices.ContainsFunc(ix.Survey.Libvirt.Guests, func(g facts.Guest) bool { return g.Running && ix.Has(&g, image) })
}
