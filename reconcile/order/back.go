package order

import (
	"lendkeep/reconcile/step"
)

// back adds the images that are made of the systems on drives.
func (p *planner) back() {
	for _, b := range p.c.Backs() {
		if !b.Does {
			continue
		}
		s := &step.CopyBack{Guest: b.Guest.Name, Before: b.Table, Image: b.Image,
			Target: step.Target{Controller: b.Found.Identity(), Drive: b.Drive, Keep: p.keptOf("image", b.Drive.Serial, b.Image.Path)}}
		for _, on := range p.c.On(b.Image.Path) {
			s.On = append(s.On, on.Path)
		}
		p.add(s, b.Disk.CopyFrom.At)
	}
}

// made gives the value that an image has on the host as it was surveyed.
func (p *planner) made(path string) string {
	if seen := p.c.Facts.Path(path); seen != nil && seen.Missing {
		return "absent"
	}
	return "there"
}

// made reads what is known of where an image goes.
func (r reader) made(path string) {
	r.chain(path)
	one(r, "", r.ix.Room(path))
}

// Makes lists the images that an order makes of drives.
func (o Order) Makes() []string {
	var list []string
	for _, w := range o.Steps {
		if s, ok := w.Step.(*step.CopyBack); ok {
			list = append(list, s.Image.Path)
		}
	}
	return list
}
