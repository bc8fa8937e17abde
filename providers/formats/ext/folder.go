package ext

import (
	"errors"
	"fmt"
	"io/fs"

	"lendkeep/providers/formats/runs"
)

const (
	folderMost = 4 << 20 // bytes of a folder that is listed
	linkMost   = 4096    // PATH_MAX
)

// List gives the numbers of the files of a folder by their names.
func (v *Volume) List(number uint64) (map[string]uint64, error) {
	n, err := v.inode(number)
	if err != nil {
		return nil, err
	}
	size := n.size()
	if n.mode() != fs.ModeDir || size == 0 || size > folderMost || size%v.blockBytes != 0 {
		return nil, fmt.Errorf("inode %d is no folder that can be listed (%d bytes)", number, size)
	}
	c, err := v.content(number, n)
	if err != nil {
		return nil, err
	}
	files := map[string]uint64{}
	b := make([]byte, v.blockBytes)
	for at := uint64(0); at < size; at += v.blockBytes {
		if err := runs.Full(c, b, at); err != nil {
			return nil, err
		}
		if !v.folderRight(n, v.seed(number, n), at, b) {
			return nil, fmt.Errorf("folder with inode %d: a checksum of it is wrong", number)
		}
		if err := v.entries(b, files); err != nil {
			return nil, fmt.Errorf("folder with inode %d: %w", number, err)
		}
	}
	return files, nil
}

// entries adds those of one block of a folder. The blocks of a hash tree look as if
// they had none (kernel documentation, "Hash Tree Directories").
func (v *Volume) entries(b []byte, files map[string]uint64) error {
	for len(b) > 0 {
		if len(b) < 8 {
			return errors.New("damaged entry")
		}
		number, length, name := le.Uint32(b), int(le.Uint16(b[4:])), int(b[6])
		if !v.filetype {
			name |= int(b[7]) << 8
		}
		if v.blockBytes == 1<<16 && (length == 0 || length == 0xffff) {
			length = 1 << 16 // does not fit (kernel fs/ext4/ext4.h, ext4_rec_len_from_disk)
		}
		if length < 8+name || length%4 != 0 || length > len(b) {
			return errors.New("damaged entry")
		}
		if number != 0 && name > 0 {
			files[string(b[8:8+name])] = uint64(number)
		}
		b = b[length:]
	}
	return nil
}

// Link gives where a symbolic link leads. A short one stands in the inode itself
// (kernel documentation, "Symbolic Links").
func (v *Volume) Link(number uint64) (string, error) {
	n, err := v.inode(number)
	if err != nil {
		return "", err
	}
	size := n.size()
	switch {
	case n.mode() != fs.ModeSymlink || size == 0 || size >= linkMost:
		return "", fmt.Errorf("inode %d is no link that can be followed", number)
	case size < 60 && n.flags()&flagExtents == 0:
		return string(n[0x28 : 0x28+size]), nil
	}
	c, err := v.content(number, n)
	if err != nil {
		return "", err
	}
	b := make([]byte, size)
	if err := runs.Full(c, b, 0); err != nil {
		return "", err
	}
	return string(b), nil
}
