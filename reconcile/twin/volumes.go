package twin

import (
	"regexp"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

var (
	volumeName = regexp.MustCompile(`^[A-Za-z0-9_+.][A-Za-z0-9_+.-]{0,99}$`) // lvm(8), VALID NAMES, and bounded
	loopName   = regexp.MustCompile(`^loop[0-9]{1,3}$`)
	arrayName  = regexp.MustCompile(`^md[0-9]{1,3}$`)
	levels     = []string{"raid0", "raid1", "raid4", "raid5", "raid6", "raid10"}
)

// volumes copies what is built on drives, each after what it is built on.
func (c *copying) volumes() {
	var left []*facts.Block
	for i := range c.survey.Blocks {
		b := &c.survey.Blocks[i]
		if b.Mapper != nil || b.Array != "" || b.BackingFile != "" {
			left = append(left, b)
		}
	}
	for more := true; more; {
		more = false
		left = slices.DeleteFunc(left, func(b *facts.Block) bool {
			v, good := c.volume(b)
			if !good {
				return false
			}
			v.Holds = c.holds(b, v.SizeBytes)
			c.m.Volumes = append(c.m.Volumes, v)
			c.names[b.Name] = true
			more = true
			return true
		})
	}
	c.membersOfNothing()
	for i := range c.survey.Blocks {
		if b := &c.survey.Blocks[i]; !c.names[b.Name] && !c.onOwn(b) {
			c.unlike.add("block", b.Name, "nothing", "what uses it, and what lies on it")
		}
	}
}

// membersOfNothing tells of members of arrays that are not built: they are made
// with the array alone.
func (c *copying) membersOfNothing() {
	in := map[string]bool{}
	for _, v := range c.m.Volumes {
		for _, name := range v.On {
			in[name] = true
		}
	}
	for i := range c.survey.Blocks {
		if b := &c.survey.Blocks[i]; c.made[b.Name] == "linux_raid_member" && !in[b.Name] {
			c.unlike.add("content", b.Name, "nothing: its array is not there", "that it is a member of one")
		}
	}
}

// onOwn tells what is on the machine's own drive, which is told by itself.
func (c *copying) onOwn(b *facts.Block) bool {
	return c.own != nil && b.Controller != nil && *b.Controller == c.own.Address
}

// volume says how a device is made of those below it; false: not, or not yet.
func (c *copying) volume(b *facts.Block) (Volume, bool) {
	v := Volume{Of: b.Name, SizeBytes: b.SizeBytes}
	for _, lower := range c.lower[b.Name] {
		if !c.names[lower.Name] {
			return v, false
		}
		v.On = append(v.On, lower.Name)
	}
	if v.SizeBytes == 0 {
		v.SizeBytes = smallBytes / 2
	}
	switch {
	case b.Mapper != nil && strings.HasPrefix(b.Mapper.UUID, "LVM-"):
		v.By = ByLVM
		v.Group, v.Name = lvmNames(b.Mapper.Name)
		return v, len(v.On) > 0 && c.allHold(b, "LVM2_member") && volumeName.MatchString(v.Group) && volumeName.MatchString(v.Name)
	case b.Mapper != nil && strings.HasPrefix(b.Mapper.UUID, "CRYPT-LUKS"):
		v.By, v.Name = ByLUKS, b.Mapper.Name
		return v, len(v.On) == 1 && c.allHold(b, "crypto_LUKS") && volumeName.MatchString(v.Name)
	case b.Array != "":
		v.By, v.Name, v.Level = ByMD, b.Name, b.Array
		for _, lower := range c.lower[b.Name] {
			if lower.Signature != nil && uuidShape.MatchString(lower.Signature.UUID) {
				v.ID = lower.Signature.UUID
			}
		}
		return v, len(v.On) > 0 && c.allHold(b, "linux_raid_member") && slices.Contains(levels, v.Level) && arrayName.MatchString(v.Name)
	case b.BackingFile != "" && b.SizeBytes > 0 && b.SizeBytes <= mostBytes && isPlace(b.BackingFile) && loopName.MatchString(b.Name):
		v.By, v.File = ByLoop, b.BackingFile
		return v, len(v.On) == 0
	default:
		return v, false
	}
}

// allHold tells whether everything below a device is copied with what it is built of.
func (c *copying) allHold(b *facts.Block, kind string) bool {
	return !slices.ContainsFunc(c.lower[b.Name], func(lower *facts.Block) bool {
		return c.made[lower.Name] != kind
	})
}

// lvmNames takes the name of a mapped device apart into group and volume: between
// them is one dash, and those of the names are doubled (lvm2 libdm/libdm-string.c,
// dm_build_dm_name).
func lvmNames(name string) (group, volume string) {
	for i := 0; i < len(name); i++ {
		switch {
		case name[i] != '-':
		case i+1 < len(name) && name[i+1] == '-':
			i++
		default:
			single := strings.NewReplacer("--", "-")
			return single.Replace(name[:i]), single.Replace(name[i+1:])
		}
	}
	return "", ""
}
