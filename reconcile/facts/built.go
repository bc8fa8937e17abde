package facts

import (
	"cmp"
	"strings"

	"lendkeep/spec/plain"
)

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

// Ended gives the command that takes a device that is built on others apart; empty for
// what is built of neither volumes, arrays nor files (mdadm(8), cryptsetup(8), lvchange(8),
// dmsetup(8), losetup(8)).
func (b *Block) Ended() string {
	switch {
	case b.Array != "":
		return "mdadm --stop " + plain.Quoted("/dev/"+b.Name)
	case b.BackingFile != "":
		return "losetup --detach " + plain.Quoted("/dev/"+b.Name)
	case b.Mapper == nil:
		return ""
	case strings.HasPrefix(b.Mapper.UUID, "CRYPT-"):
		return "cryptsetup close " + plain.Quoted(b.Mapper.Name)
	case strings.HasPrefix(b.Mapper.UUID, "LVM-") && strings.Contains(volume(b.Mapper.Name), "/"):
		return "lvchange --activate n " + plain.Quoted(volume(b.Mapper.Name))
	default:
		return "dmsetup remove " + plain.Quoted(b.Mapper.Name)
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

// mostBuilt is how many devices on top of each other are told.
const mostBuilt = 8

// Layers says what a device of that name holds, and what is built on it: start
// (vfat), or system (crypto_LUKS) > LUKS vault (LVM2_member) > LV vg0/root (ext4).
func (ix *Index) Layers(b *Block, name string) string { return ix.layers(b, name, 0) }

func (ix *Index) layers(b *Block, name string, depth int) string {
	if b.Signature != nil {
		name += " (" + b.Signature.Kind + ")"
	}
	return name + ix.builtOn(b, depth)
}

// Undivided says what is on a drive that has no partitions, and what is built on it.
func (ix *Index) Undivided(drive *Block) string {
	holds := "no partitions"
	if drive.Signature != nil {
		holds = drive.Signature.Kind
	} else if looked := ix.Content(drive.Name); looked != nil && (looked.Blank || looked.Unfinished != "" || looked.Signature != nil) {
		holds = looked.Describe() // what the kernel and udev do not show
	}
	return holds + ix.builtOn(drive, 0)
}

// builtOn says what is built on a device, beginning with an arrow; empty: nothing.
func (ix *Index) builtOn(b *Block, depth int) string {
	var list []string
	for _, holder := range b.Holders {
		on := ix.Block(holder)
		if on == nil || depth == mostBuilt {
			list = append(list, holder)
			continue
		}
		list = append(list, ix.layers(on, cmp.Or(on.Built(), on.Name), depth+1))
	}
	if len(list) == 0 {
		return ""
	}
	return " > " + strings.Join(list, " + ")
}

// User says who makes a use of a drive, and through which device built on it: mount
// /home on LV vg0/home, guest catalogue (off).
func (ix *Index) User(use Use) string {
	user, on := use.User, ix.LastOf(use)
	if use.Kind == UseHolder { // itself what is built
		on = nil
		if b := ix.Made(use); b != nil {
			user = cmp.Or(b.Built(), user)
		}
	}
	text := string(use.Kind) + " " + user
	if on != nil && on.Built() != "" {
		text += " on " + on.Built()
	}
	if use.Kind == UseGuest && !use.Live {
		text += " (off)"
	}
	return text
}

// Made gives the device that a use of the kind UseHolder is, or nil.
func (ix *Index) Made(use Use) *Block { return ix.titled(use.User) }

// titled gives the block device that a link of a use's chain names, or nil.
func (ix *Index) titled(title string) *Block {
	name, _, _ := strings.Cut(title, " (")
	return ix.blocks[name]
}

// LastOf gives the last block device of a use's chain, or nil.
func (ix *Index) LastOf(use Use) *Block {
	for i := len(use.Chain) - 1; i >= 0; i-- {
		if b := ix.titled(use.Chain[i]); b != nil {
			return b
		}
	}
	return nil
}

// OriginOf gives the partition that a use is of, else the drive; nil where it is of
// neither.
func (ix *Index) OriginOf(use Use) *Block {
	var drive *Block
	for _, link := range use.Chain {
		switch b := ix.titled(link); {
		case b != nil && b.Whole != "":
			return b
		case drive == nil:
			drive = b
		}
	}
	return drive
}
