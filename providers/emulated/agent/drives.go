package main

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"

	"golang.org/x/sys/unix"

	"lendkeep/providers/emulated/wire"
)

// functionIn finds the PCI functions that a device's path leads through.
var functionIn = regexp.MustCompile(`[0-9a-f]{4}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]`)

// blocks tells of mapped, mirrored and loop devices, and of each drive's table,
// content and users. A drive goes by its controller's address, as its name does
// not outlast a return. The one that the host runs from is left out.
func (l *look) blocks() error {
	var root unix.Stat_t
	if err := unix.Stat(l.root+"/", &root); err != nil {
		return err
	}
	own := fmt.Sprintf("%d:%d", unix.Major(root.Dev), unix.Minor(root.Dev))
	for _, folder := range l.glob("/sys/block/*") {
		name := filepath.Base(folder)
		switch {
		case text(folder, "dm/name") != "":
			l.add(wire.Mapped, text(folder, "dm/name"), "")
		case text(folder, "md/array_state") != "":
			if state := text(folder, "md/array_state"); state != "clear" { // one that was stopped and not yet removed
				l.add(wire.Array, "/dev/"+name, state)
			}
		case text(folder, "loop/backing_file") != "":
			l.add(wire.Loop, "/dev/"+name, text(folder, "loop/backing_file"))
		default:
			if err := l.drive(folder, name, own); err != nil && !gone(err) {
				return err
			}
		}
	}
	return nil
}

func (l *look) drive(folder, name, own string) error {
	path, err := filepath.EvalSymlinks(folder)
	if err != nil {
		return err
	}
	through := functionIn.FindAllString(path, -1)
	if len(through) == 0 {
		return nil // none of a controller: ram, an unused loop device
	}
	parts := l.globIn(folder, name+"*/partition")
	if text(folder, "dev") == own || slices.ContainsFunc(parts, func(p string) bool { return text(filepath.Dir(p), "dev") == own }) {
		return nil
	}
	address := through[len(through)-1]
	for _, part := range parts {
		l.add(wire.Partition, address, "partition "+text(part))
	}
	for _, part := range append(parts, filepath.Join(folder, "whole")) {
		at := filepath.Dir(part)
		for _, holder := range l.globIn(at, "holders/*") {
			l.add(wire.Held, address, filepath.Base(holder)+" is made of "+filepath.Base(at))
		}
		if err := l.exclusive(address, filepath.Base(at)); err != nil {
			return err
		}
	}
	return l.content(address, "/dev/"+name)
}

func (l *look) globIn(folder, pattern string) []string {
	found, _ := filepath.Glob(filepath.Join(folder, pattern))
	return found
}

// exclusive asks the kernel whether anybody has a device for himself (open(2),
// O_EXCL).
func (l *look) exclusive(address, name string) error {
	fd, err := unix.Open(l.root+"/dev/"+name, unix.O_RDONLY|unix.O_EXCL|unix.O_CLOEXEC, 0)
	switch {
	case err == unix.EBUSY:
		l.add(wire.Held, address, "the kernel says that "+name+" is in use")
		return nil
	case err != nil:
		return err
	}
	return unix.Close(fd)
}

// Of a drive, both ends and some blocks between are looked at.
const (
	endBytes   = 1 << 20
	blockBytes = 4096
	samples    = 64
)

// content tells of a drive that is not blank where it is looked at.
func (l *look) content(address, name string) error {
	file, err := os.Open(l.root + name)
	if err != nil {
		return err
	}
	defer file.Close()
	size, err := file.Seek(0, io.SeekEnd)
	if err != nil {
		return err
	}
	sum := crc32.NewIEEE()
	seen := func(at, length int64) error {
		piece := make([]byte, length)
		n, err := file.ReadAt(piece, max(at, 0))
		if !bytes.Equal(piece[:n], make([]byte, n)) {
			fmt.Fprint(sum, at)
			sum.Write(piece[:n])
		}
		if err == io.EOF {
			return nil
		}
		return err
	}
	for i := range int64(samples) {
		if err := seen(size/samples*i/blockBytes*blockBytes, blockBytes); err != nil {
			return err
		}
	}
	if err := errors.Join(seen(0, endBytes), seen(size-endBytes, endBytes)); err != nil {
		return err
	}
	if sum.Sum32() != 0 {
		l.add(wire.Content, address, fmt.Sprintf("not blank, %08x", sum.Sum32()))
	}
	return nil
}
