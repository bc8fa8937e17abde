package xfs

import (
	"errors"
	"fmt"
	"io/fs"

	"lendkeep/providers/formats/runs"
)

// folderMost bounds a folder that is listed, in bytes.
const folderMost = 4 << 20

// List gives the numbers of the files of a folder by their names ("Directories").
func (v *Volume) List(number uint64) (map[string]uint64, error) {
	n, err := v.inode(number)
	if err != nil {
		return nil, err
	}
	if n.mode() != fs.ModeDir || n.size() > folderMost {
		return nil, fmt.Errorf("inode %d is no folder that can be listed (%d bytes)", number, n.size())
	}
	files := map[string]uint64{}
	if n[5] == formatLocal {
		if n.size() > uint64(len(n.fork())) {
			return nil, fmt.Errorf("inode %d contradicts itself", number)
		}
		return files, v.short(n.fork()[:n.size()], files)
	}
	c, err := v.content(n)
	if err != nil {
		return nil, err
	}
	b := make([]byte, v.folderBytes)
	for at := uint64(0); at < n.size(); at += v.folderBytes {
		if c.Hole(at / v.blockBytes) {
			continue // all names of it are gone
		}
		if err := runs.Full(c, b, at); err != nil {
			return nil, err
		}
		if err := v.block(b, files); err != nil {
			return nil, fmt.Errorf("folder with inode %d: %w", number, err)
		}
	}
	return files, nil
}

var errFolder = errors.New("damaged folder")

// short reads the entries of a folder that is within its inode.
func (v *Volume) short(b []byte, files map[string]uint64) error {
	if len(b) < 6 {
		return errFolder
	}
	count, wide := int(b[0]), 4
	if b[1] > 0 { // numbers of 64 bits
		count, wide = int(b[0]), 8
	}
	if len(b) < 2+wide {
		return errFolder
	}
	b = b[2+wide:]
	for range count {
		if len(b) < 3 {
			return errFolder
		}
		name := 3 + int(b[0])
		end := name + wide
		if v.ftype {
			end++
		}
		if end > len(b) || b[0] == 0 {
			return errFolder
		}
		number := uint64(be.Uint32(b[end-4:]))
		if wide == 8 {
			number = be.Uint64(b[end-8:])
		}
		files[string(b[3:name])] = number
		b = b[end:]
	}
	return nil
}

// block reads the entries of one block of a folder. One that has all of them ends
// with their hashes.
func (v *Volume) block(b []byte, files map[string]uint64) error {
	data, single, at := "XD2D", "XD2B", 16
	if v.v5 {
		data, single, at = "XDD3", "XDB3", 64
		if !sumRight(b, 4) {
			return errors.New("a checksum of it is wrong")
		}
	}
	end := len(b)
	switch string(b[:4]) {
	case data:
	case single:
		hashes := be.Uint32(b[end-8:])
		if hashes > uint32(end/8) || end-8-8*int(hashes) < at {
			return errFolder
		}
		end -= 8 + 8*int(hashes)
	default:
		return errFolder
	}
	return v.entries(b[at:end], files)
}

func (v *Volume) entries(b []byte, files map[string]uint64) error {
	for len(b) > 0 {
		if len(b) < 8 {
			return errFolder
		}
		if be.Uint16(b) == 0xffff { // not used
			length := int(be.Uint16(b[2:]))
			if length < 8 || length%8 != 0 || length > len(b) {
				return errFolder
			}
			b = b[length:]
			continue
		}
		if len(b) < 16 || b[8] == 0 {
			return errFolder
		}
		name := 9 + int(b[8])
		length := name + 2 // with its own place behind it
		if v.ftype {
			length++
		}
		length = (length + 7) &^ 7
		if length > len(b) {
			return errFolder
		}
		files[string(b[9:name])] = be.Uint64(b)
		b = b[length:]
	}
	return nil
}
