package facts

import (
	"path"
	"slices"
	"strconv"
	"strings"
)

// StandsOn gives the paths of the host that a mounted filesystem is made of
// besides the device of its number: the layers of an overlay (Linux
// Documentation/filesystems/overlayfs.rst), the folder of ecryptfs, the image or
// device that a FUSE filesystem shows. Whatever looks like an absolute path
// counts, in whichever filesystem's options; unclear says of what else it is made
// that nobody can place.
//
// The kernel lets go of a layer's own mount without complaint and keeps its
// filesystem alive (measured with Linux 6.18: umount of a lower layer answers 0).
// A FUSE server keeps what it reads open, so there umount answers EBUSY: a
// relative source of one needs no place.
func (m *Mount) StandsOn() (paths []string, unclear string) {
	if m.Devno.Major == 0 && len(m.Devices) == 0 && m.Kind != "cifs" && m.Kind != "smb3" { // theirs is //server/share
		paths = absolute(m.Source)
	}
	for _, option := range m.SuperOptions {
		key, value, _ := strings.Cut(option, "=")
		value = Unescape(value)
		var layers []string
		switch key {
		case "lowerdir":
			layers = lowerLayers(value)
		case "lowerdir+", "datadir+":
			layers = []string{value}
		case "upperdir", "workdir":
			layers = []string{unslash(value)}
		case "subvol": // of btrfs: a path within it
		default:
			paths = append(paths, absolute(value)...)
		}
		for _, layer := range layers {
			if path.IsAbs(layer) {
				paths = append(paths, layer)
			} else { // it started where mount(8) was called, which nobody keeps
				unclear = "layer " + layer
			}
		}
	}
	if len(paths) == 0 && unclear == "" && slices.Contains([]string{"overlay", "overlayfs", "aufs"}, m.Kind) {
		unclear = "layers that are not shown"
	}
	return paths, unclear
}

// absolute gives a value that is an absolute path, or every absolute path of a
// list with colons between, as of file systems that show several folders as one.
func absolute(value string) []string {
	if !path.IsAbs(value) {
		return nil
	}
	list := []string{value}
	if strings.Contains(value, ":") {
		for part := range strings.SplitSeq(value, ":") {
			if path.IsAbs(part) {
				list = append(list, part)
			}
		}
	}
	return list
}

// lowerLayers splits lowerdir at its colons. A backslash takes a colon its
// meaning, "::" stands before layers that are for data only.
func lowerLayers(value string) []string {
	var list []string
	begin := 0
	for i := 0; i <= len(value); i++ {
		switch {
		case i == len(value) || value[i] == ':':
			if i > begin {
				list = append(list, unslash(value[begin:i]))
			}
			begin = i + 1
		case value[i] == '\\':
			i++
			if i == len(value) { // nothing follows
				return append(list, value[begin:])
			}
		}
	}
	return list
}

// unslash takes the backslashes away that overlayfs wants before colons and
// backslashes.
func unslash(text string) string {
	var plain strings.Builder
	for i := 0; i < len(text); i++ {
		if text[i] == '\\' && i+1 < len(text) {
			i++
		}
		plain.WriteByte(text[i])
	}
	return plain.String()
}

// Unescape turns \ooo, which stands for a byte that would break a line of /proc
// into wrong fields, back into that byte (Linux fs/seq_file.c, mangle_path).
func Unescape(text string) string { return unescape(text, `\`, 3, 8) }

// UnescapeHex does the same with \xHH in udev's words (libblkid:
// blkid_encode_string).
func UnescapeHex(text string) string { return unescape(text, `\x`, 2, 16) }

func unescape(text, mark string, digits, base int) string {
	if !strings.Contains(text, mark) {
		return text
	}
	var plain strings.Builder
	for text != "" {
		if rest, marked := strings.CutPrefix(text, mark); marked && len(rest) >= digits {
			if b, err := strconv.ParseUint(rest[:digits], base, 8); err == nil {
				plain.WriteByte(byte(b))
				text = rest[digits:]
				continue
			}
		}
		plain.WriteByte(text[0])
		text = text[1:]
	}
	return plain.String()
}

// addStacked notes of what paths of the host mounted filesystems are made. A
// mount of another mount namespace has its paths there: if the host has the same
// filesystem mounted, that one tells.
func (ix *Index) addStacked() {
	own := map[Devno]bool{}
	for _, m := range ix.Survey.Mounts {
		own[m.Devno] = own[m.Devno] || m.Elsewhere == ""
	}
	for i := range ix.Survey.Mounts {
		m := &ix.Survey.Mounts[i]
		paths, unclear := m.StandsOn()
		switch {
		case m.Elsewhere != "" && own[m.Devno]:
			continue
		case m.Elsewhere != "" && len(paths) > 0:
			unclear = paths[0] + " of another mount namespace"
		default:
			for _, named := range paths {
				ix.addLayer(named, m)
			}
		}
		if unclear != "" {
			ix.unplaced = append(ix.unplaced, "the filesystem at "+m.Path+" is made of "+unclear)
		}
	}
}

func (ix *Index) addLayer(named string, over *Mount) {
	use := fileUse{kind: UseMount, user: over.Path, file: named, live: true, mount: over}
	if b := ix.Device(named); b != nil {
		if !slices.Contains(over.Devices, b.Name) && b.Devno != over.Devno {
			ix.direct[b.Name] = append(ix.direct[b.Name], directUse{UseMount, over.Path, true, over})
		}
		return
	}
	if ix.astray(named) {
		ix.unplaced = append(ix.unplaced, "the filesystem at "+over.Path+" is made of "+named+", which is not there any more")
		return
	}
	for _, m := range ix.mayHold(named, over) {
		ix.files[m] = append(ix.files[m], use)
	}
}

// mayHold gives the mounts on which a layer of a filesystem may lie: all at its
// longest prefix but the filesystem itself, which may be mounted over its own
// layer.
func (ix *Index) mayHold(named string, over *Mount) []*Mount {
	if p := ix.paths[named]; p != nil && p.Resolved != "" {
		named = p.Resolved
	}
	for place := path.Clean(named); ; place = path.Dir(place) {
		list := slices.DeleteFunc(slices.Clone(ix.mountsAt[place]), func(m *Mount) bool { return m == over })
		if len(list) > 0 || place == "/" || place == "." {
			return list
		}
	}
}

// astray tells whether the kernel names a file by a path where it is not: its
// mount was taken away from under it, or another one covers it.
func (ix *Index) astray(named string) bool {
	p := ix.paths[named]
	return p != nil && p.Missing
}

// Openers names who has files on a mount open, as far as a survey shows it:
// running guests, loop devices, swap.
func (ix *Index) Openers(m *Mount) []string {
	var list []string
	for _, f := range ix.files[m] {
		if f.live && f.mount == nil {
			list = append(list, string(f.kind)+" "+f.user)
		}
	}
	return list
}

// MountsAt gives everything that is mounted at exactly that place, the uppermost
// last.
func (ix *Index) MountsAt(place string) []*Mount { return ix.mountsAt[place] }

// Crowd gives what is mounted below a place, and at it besides the uppermost: as
// long as any of that is there, an unmount there fails, or does not show what was
// there before.
func (ix *Index) Crowd(place string) []*Mount {
	list := ix.MountsBelow(place)
	if at := ix.MountsAt(place); len(at) > 1 {
		list = append(list, at[:len(at)-1]...)
	}
	return list
}

// MountsOf gives the mounts of the filesystem on a device, in whatever namespace.
func (ix *Index) MountsOf(b *Block) []*Mount { return ix.mountsOf[b.Name] }

// MountsBelow gives what is mounted below a place, outer mounts before inner ones.
func (ix *Index) MountsBelow(place string) []*Mount {
	prefix := strings.TrimSuffix(place, "/") + "/"
	begin, _ := slices.BinarySearchFunc(ix.byPath, prefix, func(m *Mount, text string) int { return strings.Compare(m.Path, text) })
	end := begin
	for end < len(ix.byPath) && strings.HasPrefix(ix.byPath[end].Path, prefix) {
		end++
	}
	return ix.byPath[begin:end:end]
}
