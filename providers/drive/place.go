package drive

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/strict"
)

// born tells a file from every other one that its filesystem had or will have:
// numbers of inodes are given again, moments are not. The number of the filesystem is
// not in it, since that moves from boot to boot.
type born struct {
	Inode   uint64 `json:"inode"`
	Seconds int64  `json:"born_s"`
	Nano    uint32 `json:"born_ns"`
}

// written is how a file was when it was whole: what a guest writes changes it.
type written struct {
	SizeBytes int64 `json:"size_bytes"`
	Seconds   int64 `json:"modified_s"`
	Nano      int64 `json:"modified_ns"`
}

// makingNote is what is kept of an image that is being made, or was.
type makingNote struct {
	Path   string  `json:"path"`
	Serial string  `json:"serial"` // of the drive that it is made of
	File   born    `json:"file"`
	Shaped bool    `json:"shaped"`          // it has its tables, and only data is missing
	Whole  written `json:"whole,omitempty"` // empty: it is not whole yet
}

// noteEnd ends the names of such notes in Drives.Folder.
const noteEnd = ".made"

const noteMost = 1 << 16 // bytes

func (ds Drives) notePath(keep string) (string, error) {
	if !facts.KeepName(keep) || ds.Folder == "" {
		return "", fmt.Errorf("keep a note in folder %q under the name %q: not possible", ds.Folder, keep)
	}
	return filepath.Join(ds.Folder, keep+noteEnd), nil
}

func (ds Drives) note(keep string, n makingNote) error {
	path, err := ds.notePath(keep)
	if err != nil {
		return err
	}
	content, err := json.Marshal(n)
	if err != nil {
		return err
	}
	return files.Write(path, content, files.Private)
}

// noted gives what is kept under a name; nil when nothing is.
func (ds Drives) noted(keep string) (*makingNote, error) {
	path, err := ds.notePath(keep)
	if err != nil {
		return nil, err
	}
	return readNote(path)
}

func readNote(path string) (*makingNote, error) {
	content, err := files.Read(path, noteMost)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var n makingNote
	if err == nil {
		err = strict.ReadWhole(content, noteMost, &n)
	}
	if err != nil {
		return nil, fmt.Errorf("read what was noted of an image: %w", err)
	}
	return &n, nil
}

// place is where an image goes: names in one folder, which is held open, so that all
// happens in the folder that was looked at.
type place struct {
	folder *os.File
	name   string // of the image
	part   string // of the same file until it is whole
}

func (ds Drives) openPlace(path string) (*place, error) {
	folder, err := os.OpenFile(filepath.Join(ds.root(), filepath.Dir(path)), os.O_RDONLY|unix.O_DIRECTORY, 0)
	if err != nil {
		return nil, fmt.Errorf("open its folder: %w", err)
	}
	// A filesystem that could not tell files apart later is refused before one is made.
	if _, err := lookAtOpen(folder); err != nil {
		return nil, errors.Join(err, folder.Close())
	}
	return &place{folder, filepath.Base(path), filepath.Base(facts.PartOf(path))}, nil
}

// sighting is what is found under a name of a place.
type sighting struct {
	born
	written
	regular bool
	blocks  uint64 // of 512 bytes that it takes up
}

// look gives what has a name, through no link; nil when nothing has.
func (p *place) look(name string) (*sighting, error) {
	return lookBelow(int(p.folder.Fd()), name, unix.AT_SYMLINK_NOFOLLOW)
}

// lookAtOpen gives what an open file is.
func lookAtOpen(file *os.File) (*sighting, error) {
	return lookBelow(int(file.Fd()), "", unix.AT_EMPTY_PATH)
}

func lookBelow(folder int, name string, flags int) (*sighting, error) {
	var stat unix.Statx_t
	err := unix.Statx(folder, name, flags, unix.STATX_BASIC_STATS|unix.STATX_BTIME, &stat)
	switch {
	case errors.Is(err, unix.ENOENT):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("look at %s: %w", name, err)
	case stat.Mask&unix.STATX_BTIME == 0:
		return nil, fmt.Errorf("look at %s: its filesystem does not say when a file was made, so one could not be told from another later; choose a folder on ext4, xfs or btrfs", name)
	}
	return &sighting{born{stat.Ino, stat.Btime.Sec, stat.Btime.Nsec}, written{int64(stat.Size), stat.Mtime.Sec, int64(stat.Mtime.Nsec)},
		stat.Mode&unix.S_IFMT == unix.S_IFREG, stat.Blocks}, nil
}

// freeBytes is what may still be written there, but for what is reserved for root.
func (p *place) freeBytes() (uint64, error) {
	var stat unix.Statfs_t
	if err := unix.Fstatfs(int(p.folder.Fd()), &stat); err != nil {
		return 0, fmt.Errorf("ask for the room in its folder: %w", err)
	}
	return stat.Bavail * uint64(stat.Bsize), nil
}

// create makes the empty file, which nobody but root may open.
func (p *place) create() (*os.File, error) {
	return p.open(unix.O_CREAT | unix.O_EXCL)
}

func (p *place) open(flags int) (*os.File, error) {
	number, err := unix.Openat(int(p.folder.Fd()), p.part, unix.O_RDWR|unix.O_NOFOLLOW|unix.O_CLOEXEC|flags, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", p.part, err)
	}
	return os.NewFile(uintptr(number), filepath.Join(p.folder.Name(), p.part)), nil
}

func (p *place) remove(name string) error {
	if err := unix.Unlinkat(int(p.folder.Fd()), name, 0); err != nil {
		return fmt.Errorf("remove %s: %w", name, err)
	}
	return p.folder.Sync()
}

// finish gives the file its own name, which nothing else may have (renameat2(2)).
func (p *place) finish() error {
	at := int(p.folder.Fd())
	if err := unix.Renameat2(at, p.part, at, p.name, unix.RENAME_NOREPLACE); err != nil {
		return fmt.Errorf("give it its name: %w", err)
	}
	return p.folder.Sync()
}

func (p *place) close() error { return p.folder.Close() }
