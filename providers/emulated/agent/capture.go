package main

import (
	"archive/tar"
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"lendkeep/providers/emulated/wire"
)

// leftOut are the files of a PCI device in /sys that are the device's own
// memory or, once written to, orders to the kernel; there is nothing to read
// in them (Documentation/PCI/sysfs-pci.rst).
var leftOut = regexp.MustCompile(`^(resource[0-9].*|rom|vpd|remove|rescan|reset|bind|unbind|new_id|remove_id)$`)

// fileBytes is how much of one file is kept.
const fileBytes = 1 << 20

// Capture packs parts of the file system: links stay links, and files of /proc
// and /sys get the size they turn out to have.
func (h *Host) Capture(wanted wire.Trees, packed *[]byte) error {
	var archive bytes.Buffer
	p := &packer{out: tar.NewWriter(&archive)}
	for _, root := range wanted.Roots {
		if err := filepath.WalkDir(root, p.visit); err != nil {
			return fmt.Errorf("capture %s: %w", root, err)
		}
	}
	if err := p.add(&tar.Header{Name: wire.Unreadable, Mode: 0o644}, p.unreadable.Bytes()); err != nil {
		return fmt.Errorf("capture: %w", err)
	}
	if err := p.out.Close(); err != nil {
		return fmt.Errorf("capture: %w", err)
	}
	*packed = archive.Bytes()
	return nil
}

type packer struct {
	out        *tar.Writer
	unreadable bytes.Buffer
}

// visit packs one entry. What vanishes under the walk, as devices do, is left out.
func (p *packer) visit(name string, entry fs.DirEntry, err error) error {
	if err != nil {
		return p.refuse(name, err)
	}
	header := &tar.Header{Name: strings.TrimPrefix(name, "/"), Mode: 0o644}
	switch kind := entry.Type(); {
	case kind.IsDir():
		header.Typeflag, header.Mode = tar.TypeDir, 0o755
		return p.add(header, nil)
	case kind == fs.ModeSymlink:
		target, err := os.Readlink(name)
		if err != nil {
			return p.refuse(name, err)
		}
		header.Typeflag, header.Linkname = tar.TypeSymlink, target
		return p.add(header, nil)
	case kind.IsRegular() && !leftOut.MatchString(entry.Name()):
		content, err := readSome(name)
		if err != nil {
			return p.refuse(name, err)
		}
		return p.add(header, content)
	}
	return nil
}

func (p *packer) refuse(name string, err error) error {
	if !os.IsNotExist(err) {
		fmt.Fprintf(&p.unreadable, "%s\t%v\n", name, err)
	}
	return nil
}

func (p *packer) add(header *tar.Header, content []byte) error {
	header.Size = int64(len(content))
	if err := p.out.WriteHeader(header); err != nil {
		return err
	}
	_, err := p.out.Write(content)
	return err
}

func readSome(name string) ([]byte, error) {
	file, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return io.ReadAll(io.LimitReader(file, fileBytes))
}
