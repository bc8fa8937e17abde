// Package esp finds the programs on EFI system partitions, from their bytes.
// Start at Loaders.
package esp

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"lendkeep/providers/formats/fat"
)

// Bounds for what is looked at on one system partition.
const (
	loadersMost = 200
	foldersMost = 500
)

// Loaders lists the programs in the folders of \EFI on a partition of that size
// in bytes, by their paths with backslashes, as they are spelled there. FAT does
// not tell upper from lower case. With an error it could not be read in full: a
// loader that is not listed may be there.
func Loaders(r io.ReaderAt, sizeBytes int64) ([]string, error) {
	volume, err := fat.Open(r, sizeBytes)
	if err != nil {
		return nil, fmt.Errorf("filesystem: %w", err)
	}
	root, err := volume.Root()
	if err != nil {
		return nil, fmt.Errorf("root folder: %w", err)
	}
	top := slices.IndexFunc(root, func(f fat.File) bool { return f.Folder && strings.EqualFold(f.Name, "EFI") })
	if top < 0 {
		return nil, nil
	}
	search := &search{volume: volume}
	err = search.folder(`\`+root[top].Name, root[top].Cluster, 2)
	return search.found, err
}

// search goes through folders.
type search struct {
	volume  *fat.Volume
	found   []string
	folders int // read so far
}

// folder reads one folder and those inside it, down to depth more levels.
func (s *search) folder(path string, cluster uint32, depth int) error {
	if s.folders++; s.folders > foldersMost {
		return fmt.Errorf("more than %d folders", foldersMost)
	}
	files, err := s.volume.List(cluster)
	if err != nil {
		return fmt.Errorf("folder %s: %w", path, err)
	}
	for _, f := range files {
		inner := path + `\` + f.Name
		switch {
		case f.Name == "." || f.Name == "..":
		case f.Folder && depth > 0:
			if err := s.folder(inner, f.Cluster, depth-1); err != nil {
				return err
			}
		case !f.Folder && strings.HasSuffix(strings.ToLower(f.Name), ".efi"):
			if len(s.found) == loadersMost {
				return fmt.Errorf("more than %d programs", loadersMost)
			}
			s.found = append(s.found, inner)
		}
	}
	return nil
}
