package facts

import "strings"

// Built names a device that is built on others as people know it: a LUKS or
// other encrypted volume, a logical volume, an md array. Of others it is empty.
// The prefixes are those that cryptsetup, lvm2 and dmsetup give to what they make
// (Linux Documentation/admin-guide/device-mapper: dm/uuid).
func (b *Block) Built() string {
	switch {
	case b.Array != "":
		return "md " + b.Name + " (" + b.Array + ")"
	case b.Mapper == nil:
		return ""
	case strings.HasPrefix(b.Mapper.UUID, "CRYPT-LUKS"):
		return "LUKS " + b.Mapper.Name
	case strings.HasPrefix(b.Mapper.UUID, "CRYPT-"):
		return "encrypted " + b.Mapper.Name
	case strings.HasPrefix(b.Mapper.UUID, "LVM-"):
		return "LV " + volume(b.Mapper.Name)
	default:
		return "mapped " + b.Mapper.Name
	}
}

// volume writes group and volume as lvm(8) takes them. In the mapper's name one
// hyphen is between them and those of their own are double; what belongs to a
// volume and has no name of its own has a third part.
func volume(name string) string {
	const own = "\x00"
	group, rest, found := strings.Cut(strings.ReplaceAll(name, "--", own), "-")
	if !found || group == "" || rest == "" || strings.Contains(rest, "-") {
		return name
	}
	return strings.ReplaceAll(group+"/"+rest, own, "-")
}

// LastOf gives the last block device of a use's chain, or nil.
func (ix *Index) LastOf(use Use) *Block {
	for i := len(use.Chain) - 1; i >= 0; i-- {
		name, _, _ := strings.Cut(use.Chain[i], " (")
		if b := ix.blocks[name]; b != nil {
			return b
		}
	}
	return nil
}
