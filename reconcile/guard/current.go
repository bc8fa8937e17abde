package guard

import (
	"cmp"
	"slices"

	"lendkeep/reconcile/facts"
)

// Fill takes over what is not known from what was.
func (c *Controller) Fill(before Controller) {
	if c.Model == "" {
		c.Model = before.Model
	}
	if c.SizeBytes == 0 {
		c.SizeBytes = before.SizeBytes
	}
	c.fillShown(before)
	for i := range c.Mounts {
		m := &c.Mounts[i]
		n := slices.IndexFunc(before.Mounts, func(b Mount) bool { return b.Partition == m.Partition })
		if n < 0 {
			continue
		}
		if m.PartitionID == "" {
			m.PartitionID = before.Mounts[n].PartitionID
		}
		if m.FSType == "" {
			m.FSType = before.Mounts[n].FSType
		}
	}
	for i := range c.Keeps {
		p := &c.Keeps[i]
		n := slices.IndexFunc(before.Keeps, func(b Partition) bool { return b.Name == p.Name })
		if p.ID == "" && n >= 0 {
			p.ID = before.Keeps[n].ID
		}
	}
}

// Saw gives what the rules have of a controller that is at home, as it was when it was
// last seen there.
func (r Rules) Saw(is facts.Identity) []Shown {
	made := Controller{Identity: is}
	if before := r.ByName()[is.Controller]; before != nil {
		made.Fill(*before)
	}
	return made.Shown
}

// fillShown takes over what functions showed that were not seen at home since.
func (c *Controller) fillShown(before Controller) {
	is, was := c.Identity, before.Identity
	if is.Serial != "" || was.Serial != "" || is.Vendor != was.Vendor || is.Device != was.Device || is.Functions != was.Functions {
		return
	}
	for _, s := range before.Shown {
		if !is.Whole() { // it may have moved
			s.Function = is.Address.Function
		}
		if is.Has(s.At(is.Address)) && !slices.ContainsFunc(c.Shown, func(own Shown) bool { return own.Function == s.Function }) {
			c.Shown = append(c.Shown, s)
		}
	}
	slices.SortFunc(c.Shown, func(a, b Shown) int { return cmp.Compare(a.Function, b.Function) })
}

// Current gives the installed rules where they say what is wanted. Where they
// merely lack what was learnt since, they do: they check a little less, and
// nothing that they say is wrong.
func Current(installed string, wanted Rules) (Rules, bool) {
	now, err := Decode(installed)
	if err != nil {
		return Rules{}, false
	}
	filled, _ := Decode(installed) // a second copy
	controllers := wanted.ByName()
	for i := range filled.Controllers {
		if c := controllers[filled.Controllers[i].Identity.Controller]; c != nil {
			filled.Controllers[i].Fill(*c)
			filled.Controllers[i].cards(*c, func(_, _ Card) bool { return true }) // addresses come and go
		}
	}
	return now, filled.Encode() == wanted.Encode()
}
