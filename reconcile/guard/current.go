package guard

import (
	"slices"
)

// Fill takes over what is not known from what was.
func (c *Controller) Fill(before Controller) {
	if c.Model == "" {
		c.Model = before.Model
	}
	if c.SizeBytes == 0 {
		c.SizeBytes = before.SizeBytes
	}
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
		}
	}
	return now, filled.Encode() == wanted.Encode()
}
