package linux

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strings"

	"lendkeep/providers/formats/runs"
	"lendkeep/reconcile/boots"
)

// unified is a kernel with its initramfs and its command line in one EFI program
// (Unified Kernel Image specification; systemd-stub(7)).
type unified struct {
	release string // .uname; empty: not known
	line    string // .cmdline
	initrd  *io.SectionReader
}

const (
	sectionsMost = 96   // Microsoft's PE Format: what its loader takes
	wordsMost    = 4096 // of .cmdline and .uname, in bytes
)

// sections lists those of a PE file by name (Microsoft, "PE Format", "COFF File
// Header" and "Section Table"). Two of a name are an error: of those a choice is made
// at the start.
func sections(r io.ReaderAt) (map[string]*io.SectionReader, error) {
	le := binary.LittleEndian
	head := make([]byte, 64)
	if err := runs.Full(r, head, 0); err != nil {
		return nil, err
	}
	at := uint64(le.Uint32(head[60:]))
	coff := make([]byte, 24)
	if err := runs.Full(r, coff, at); err != nil || string(head[:2]) != "MZ" || string(coff[:4]) != "PE\x00\x00" {
		return nil, errors.New("no PE file")
	}
	count := le.Uint16(coff[6:])
	if count > sectionsMost {
		return nil, fmt.Errorf("%d sections", count)
	}
	table := make([]byte, 40*int(count))
	if err := runs.Full(r, table, at+24+uint64(le.Uint16(coff[20:]))); err != nil {
		return nil, err
	}
	all := map[string]*io.SectionReader{}
	for ; len(table) > 0; table = table[40:] {
		name := strings.TrimRight(string(table[:8]), "\x00")
		if all[name] != nil {
			return nil, fmt.Errorf("it has several parts named %.8q", name)
		}
		// What is behind the virtual size only fills up.
		size := min(le.Uint32(table[8:]), le.Uint32(table[16:]))
		all[name] = io.NewSectionReader(r, int64(le.Uint32(table[20:])), int64(size))
	}
	return all, nil
}

// openUnified reads one. One without a kernel in it is an error.
func openUnified(r io.ReaderAt) (*unified, error) {
	parts, err := sections(r)
	if err != nil {
		return nil, err
	}
	if parts[".linux"] == nil {
		return nil, errors.New("no kernel is in it")
	}
	words := func(name string) (string, error) {
		if parts[name] == nil {
			return "", nil
		}
		b, err := io.ReadAll(io.LimitReader(parts[name], wordsMost+1))
		if err == nil && len(b) > wordsMost {
			err = fmt.Errorf("%s has more than %d bytes", name, wordsMost)
		}
		return strings.TrimSpace(strings.TrimRight(string(b), "\x00")), err
	}
	u := &unified{initrd: parts[".initrd"]}
	if u.line, err = words(".cmdline"); err != nil {
		return nil, err
	}
	if u.release, err = words(".uname"); err != nil {
		return nil, err
	}
	if !boots.IsRelease(u.release) {
		u.release = ""
	}
	return u, nil
}
