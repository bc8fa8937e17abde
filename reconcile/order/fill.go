package order

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// fill brings what a controller's drive holds in line.
func (p *planner) fill(found assess.Found) {
	f := p.c.Filling(found.Controller.Name)
	if !f.Does() {
		return
	}
	at := found.Controller.Drive.At
	target := step.Target{Controller: found.Identity(), Drive: f.Drive, Keep: p.keep(f.Drive)}
	for _, rule := range found.Controller.Return.Mounts {
		target.Mounts = append(target.Mounts, filesystemOf(found, rule))
	}
	if f.Clear {
		p.add(&step.ClearDrive{Target: target, Holds: f.Content.Describe(), Table: f.Content.Table.DiskIdentifier(), Then: then(f)}, at)
	}
	if f.Copy != nil {
		s := &step.CopySystem{Target: target, Source: *f.Copy, Table: f.Image.Table.ID, DataBytes: f.Image.DataBytes, Erased: f.Clear}
		s.Rests, s.Laid = p.rests[found.Controller.Name], f.After != nil || f.Mend != nil
		p.owners(s)
		for i := range p.c.Layout.Guests {
			for _, hand := range p.hands[p.c.Layout.Guests[i].Name] {
				if hand.Controller == found.Controller.Name {
					s.ByHand, s.Hands = append(s.ByHand, hand.Name()), append(s.Hands, facts.Matter(hand.Hand))
				}
			}
		}
		p.add(s, at)
	}
	if f.Mend != nil {
		p.startAtBoot(found, target, f)
	}
	if f.After != nil {
		p.add(&step.WriteTable{Target: target, Before: f.Before, After: *f.After, Copied: f.Copy != nil, Erased: f.Clear}, at)
	}
	for _, made := range f.Filesystems {
		p.add(&step.MakeFilesystem{Target: target, Partition: made.On, Made: made.Made, Added: made.Added, Over: made.Over}, made.At)
	}
}

// startAtBoot lets the copy's NVMe driver start at boot.
func (p *planner) startAtBoot(found assess.Found, target step.Target, f assess.Filling) {
	s := &step.StartAtBoot{Target: target, Image: found.Controller.Drive.CopyOf, Table: f.Image.Table.ID, Saw: *f.Mend, Copied: f.Copy != nil, Laid: f.After != nil}
	for i := range p.c.Layout.Guests {
		if g := &p.c.Layout.Guests[i]; g.Boots != nil && g.Boots.Name == found.Controller.Name {
			s.Guests = append(s.Guests, g.Name)
		}
	}
	p.add(s, found.Controller.Drive.At)
}

// keep names what the order keeps of one drive: the same for the same order,
// another for every other.
func (p *planner) keep(d facts.Drive) string { return p.keptOf(d.Serial) }

// keptOf names what the order keeps of a thing.
func (p *planner) keptOf(thing ...string) string {
	thing = append(thing, p.c.Facts.Survey.TakenAt.Format(time.RFC3339), p.c.Layout.Hash)
	sum := sha256.Sum256([]byte(strings.Join(thing, "\x00")))
	return hex.EncodeToString(sum[:8])
}

func then(f assess.Filling) string {
	if f.Copy != nil {
		return f.Image.Table.ID
	}
	return f.After.DiskIdentifier()
}

// owners notes the guests that have the image, each of which must be off.
func (p *planner) owners(s *step.CopySystem) {
	for i := range p.c.Facts.Survey.Libvirt.Guests {
		if g := &p.c.Facts.Survey.Libvirt.Guests[i]; p.c.Facts.Has(g, s.Source.Path) {
			s.Users = append(s.Users, g.Name)
		}
	}
}

// byHand adds what only a person can do in the guests that will start from a
// drive, before they are shut down and their system is copied. What was seen to be
// as it must, and what a later step mends, nobody is asked for.
func (p *planner) byHand() {
	for i := range p.c.Layout.Guests {
		g := &p.c.Layout.Guests[i]
		if g.Boots == nil || p.c.Filling(g.Boots.Name).Copy == nil {
			continue
		}
		f, starts := p.c.Filling(g.Boots.Name), p.c.Starts(g)
		for _, question := range facts.Matters(starts.System) {
			saw := starts.Sight.Answer(question)
			if saw.Says == facts.Present || question == facts.AsksDriver && f.Mend != nil {
				p.rest(g.Boots.Name, saw)
				continue
			}
			hand := &step.ByHand{Guest: g.Name, Controller: g.Boots.Name, System: starts.System, Hand: string(question), Keep: p.keep(f.Drive),
				Image: f.Copy.Path, Saw: saw, Of: starts.Sight.Of}
			if starts.Sight.System != nil {
				hand.Called = starts.Sight.System.Name
			}
			p.hands[g.Name] = append(p.hands[g.Name], hand)
			p.add(hand, p.c.Layout.Controller(g.Boots.Name).Drive.At)
		}
	}
}

// rest notes an answer because of which nobody is asked; guests that boot from one
// controller have the same.
func (p *planner) rest(controller string, saw facts.Answer) {
	if !slices.Contains(p.rests[controller], saw) {
		p.rests[controller] = append(p.rests[controller], saw)
	}
}
