package ntfs

import (
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
)

// folderMost bounds the index of one folder: 64 MiB are some 500,000 names.
const folderMost = 64 * mib

// Find follows names from the root folder; ASCII letters count as alike, large
// or small. ErrNotThere, and no other error, says that nothing has that path.
func (v *Volume) Find(names ...string) (*File, error) {
	f, err := v.Record(rootRecord)
	for i, name := range names {
		if err != nil {
			break
		}
		var reference uint64
		if reference, err = f.entry(name); err == nil {
			f, err = v.at(reference)
		}
		if err != nil {
			err = fmt.Errorf(`\%s: %w`, strings.Join(names[:i+1], `\`), err)
		}
	}
	if err != nil {
		return nil, err
	}
	return f, nil
}

// index is a folder's names: a tree of blocks, whose nodes are numbered.
type index struct {
	name      string
	reference uint64 // of what was found; 0: nothing so far
	waiting   []uint64
}

// entry finds a name in a folder and gives the reference of its file. The whole
// tree is read, in whatever sequence its names are: what is overlooked would be
// told as absent.
func (f *File) entry(name string) (uint64, error) {
	if link, err := find(f.attributes, reparseKind, ""); err != nil || link != nil {
		return 0, errors.Join(err, errors.New("the folder leads elsewhere (a reparse point)"))
	}
	root, err := find(f.attributes, indexRootKind, "$I30")
	if err != nil {
		return 0, err
	}
	if !f.folder && root == nil {
		return 0, fmt.Errorf("what should be a folder is a file: %w", ErrNotThere)
	}
	if !f.folder || root == nil || len(root.value) < 32 || binary.LittleEndian.Uint32(root.value) != 0x30 {
		return 0, fmt.Errorf("%w: a folder has no index", errTable)
	}
	i := &index{name: name}
	if err := i.among(root.value[16:]); err != nil {
		return 0, err
	}
	if len(i.waiting) > 0 {
		if err := f.blocks(i, uint64(binary.LittleEndian.Uint32(root.value[8:]))); err != nil {
			return 0, err
		}
	}
	if i.reference == 0 {
		return 0, ErrNotThere
	}
	return i.reference, nil
}

// blocks reads every block that the tree leads to, each once.
func (f *File) blocks(i *index, size uint64) error {
	blocks, err := find(f.attributes, indexBlocksKind, "$I30")
	if err != nil {
		return err
	}
	if blocks == nil || blocks.runs == nil || blocks.size > folderMost || size < 512 || size > 65536 || size&(size-1) != 0 {
		return fmt.Errorf("%w: the index of a folder", errTable)
	}
	unit := f.volume.cluster // of a block's number
	if size < unit {
		unit = 512
	}
	b, seen := make([]byte, size), map[uint64]bool{}
	for ; len(i.waiting) > 0; i.waiting = i.waiting[1:] {
		number := i.waiting[0]
		if number > folderMost/512 || number*unit+size > blocks.size || seen[number] {
			return fmt.Errorf("%w: block %d of a folder's index", errTable, number)
		}
		seen[number] = true
		if err := f.volume.content(blocks, b, number*unit); err != nil {
			return err
		}
		if string(b[:4]) != "INDX" || !exchange(b) || binary.LittleEndian.Uint64(b[16:]) != number {
			return fmt.Errorf("%w: block %d of a folder's index", errTable, number)
		}
		if err := i.among(b[24:]); err != nil {
			return err
		}
		if uint64(len(i.waiting)) > blocks.size/size { // some are there twice
			return fmt.Errorf("%w: the index of a folder goes in a circle", errTable)
		}
	}
	return nil
}

// among looks through the entries of one block; b begins with the header of the
// entries.
func (i *index) among(b []byte) error {
	broken := fmt.Errorf("%w: the entries of a folder", errTable)
	at, end := uint64(binary.LittleEndian.Uint32(b)), uint64(binary.LittleEndian.Uint32(b[4:]))
	if end > uint64(len(b)) {
		return broken
	}
	for at+16 <= end {
		e := b[at:end]
		length, flags := uint64(binary.LittleEndian.Uint16(e[8:])), e[12]
		if length < 16 || length > uint64(len(e)) {
			return broken
		}
		key := e[16:length]
		if flags&1 != 0 { // more names, all before this one, in another block
			if len(key) < 8 {
				return broken
			}
			i.waiting = append(i.waiting, binary.LittleEndian.Uint64(key[len(key)-8:]))
			key = key[:len(key)-8]
		}
		if flags&2 != 0 { // the last, which has no name
			return nil
		}
		// The key is a $FILE_NAME: the length of its name is at 64.
		if len(key) < 66 || len(key) < 66+2*int(key[64]) {
			return broken
		}
		if alike(key[66:66+2*int(key[64])], i.name) {
			reference := binary.LittleEndian.Uint64(e)
			if i.reference != 0 && i.reference != reference || reference == 0 {
				return fmt.Errorf("%w: several files are called %s", errTable, i.name)
			}
			i.reference = reference
		}
		at += length
	}
	return broken
}

// alike compares a name of UTF-16 units with one of ASCII letters.
func alike(b []byte, name string) bool {
	if len(b) != 2*len(name) {
		return false
	}
	for i := range len(name) {
		if b[2*i+1] != 0 || large(b[2*i]) != large(name[i]) {
			return false
		}
	}
	return true
}

func large(c byte) byte {
	if c >= 'a' && c <= 'z' {
		c -= 'a' - 'A'
	}
	return c
}
