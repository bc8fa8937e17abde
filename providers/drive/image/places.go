package image

import "fmt"

// Place is where a stretch of a disk lies in the image's own file.
type Place struct {
	Host   int64 // byte of the file
	Length int64
}

// Places gives where a stretch of the disk lies, in sequence and without gaps: what
// is written there, the disk has. An error says that it has no place of its own, as
// what is compressed, not allocated, or of a backing file.
func (i *Image) Places(offset, length int64) ([]Place, error) {
	var list []Place
	for end := offset + length; offset < end; {
		found, err := i.top.piece(offset, end-offset, false)
		if err != nil {
			return nil, fmt.Errorf("read the tables of image %s for byte %d of the disk: %w", i.chain[0].path, offset, err)
		}
		if found.kind != data || found.file != i.chain[0].file {
			return nil, fmt.Errorf("image %s has no place of its own for byte %d of the disk", i.chain[0].path, offset)
		}
		list = append(list, Place{found.host, found.length})
		offset += found.length
	}
	return list, nil
}
