package content

import (
	"encoding/binary"
	"errors"
	"fmt"

	"lendkeep/providers/formats/ntfs"
	"lendkeep/reconcile/facts"
)

// Of NTFS (kernel fs/ntfs3/ntfs.h; the marks as ntfs-3g judges them: volume.c,
// ntfs_volume_check_hiberfile, and logfile.c, ntfs_is_logfile_clean).
const (
	ntfsDirty     = 0x0001
	ntfsMustCheck = 0xc032 // others of the old kernel's VOLUME_MUST_MOUNT_RO_MASK (from memory)

	ntfsNoClient = 0xffff
	ntfsEnded    = 0x0002 // RESTART_VOLUME_IS_CLEAN
)

var errNTFS = errors.New("its file table cannot be followed")

// ntfsOf is an NTFS whose marks are read.
type ntfsOf struct{ *ntfs.Volume }

func ntfsVolume(v *volume) finding {
	b := v.at(0, 512)
	if !ntfs.Marked(b) {
		return finding{}
	}
	id := fmt.Sprintf("%016X", binary.LittleEndian.Uint64(b[72:]))
	opened, err := ntfs.Open(v, v.size)
	if err != nil {
		return filesystem("ntfs", id, "", facts.UnsureIfClean, err.Error())
	}
	n := ntfsOf{opened}
	condition, why := n.condition()
	return filesystem("ntfs", id, n.label(), condition, why)
}

// value gives what an attribute of a record of the file table holds; one that is
// not there is an error.
func (n ntfsOf) value(record uint64, kind uint32) ([]byte, error) {
	file, err := n.Record(record)
	if err != nil {
		return nil, err
	}
	b, err := file.Value(kind)
	if err == nil && b == nil {
		err = errNTFS
	}
	return b, err
}

func (n ntfsOf) label() string {
	name, _ := n.value(ntfs.VolumeRecord, ntfs.VolumeNameKind) // one without has none
	return wide(name, false)
}

// condition asks all three marks; the worst stands, and one that cannot be read
// is not a good one.
func (n ntfsOf) condition() (facts.Condition, string) {
	asleep, err := n.hibernated()
	if asleep {
		return facts.Hibernated, `\hiberfil.sys holds a sleeping Windows (also after a shutdown with fast startup)`
	}
	var marks uint16
	b, err2 := n.value(ntfs.VolumeRecord, ntfs.VolumeMarksKind)
	if err2 == nil && len(b) >= 12 {
		marks = binary.LittleEndian.Uint16(b[10:])
	} else if err2 == nil {
		err2 = errNTFS
	}
	ended, err3 := n.logEnded()
	switch err := errors.Join(err, err2, err3); {
	case err2 == nil && marks&ntfsDirty != 0:
		return facts.Dirty, "$Volume says that it is dirty"
	case err2 == nil && marks&ntfsMustCheck != 0:
		return facts.Dirty, fmt.Sprintf("$Volume says that it is to be checked (flags %04x)", marks)
	case err3 == nil && !ended:
		return facts.Dirty, "$LogFile says that it was not unmounted"
	case err != nil:
		return facts.UnsureIfClean, err.Error()
	}
	return facts.Clean, `$Volume and $LogFile say that it was unmounted, and no \hiberfil.sys holds a sleeping Windows`
}

// logEnded tells whether the log was closed. Its restart page is there twice;
// the one with the later number counts. Right after formatting all is 0xff.
func (n ntfsOf) logEnded() (bool, error) {
	log, err := n.Record(ntfs.LogRecord)
	if err != nil {
		return false, err
	}
	first := make([]byte, 4096)
	if _, err := log.ReadAt(first, 0); err != nil {
		return false, err
	}
	if empty(first) {
		return true, nil
	}
	page := uint64(binary.LittleEndian.Uint32(first[16:]))
	if string(first[:4]) != "RSTR" || page < 512 || page > 65536 || page&(page-1) != 0 {
		return false, errors.New("$LogFile has no restart page that is known")
	}
	second := make([]byte, 4096)
	if _, err := log.ReadAt(second, int64(page)); err != nil {
		return false, err
	}
	a, number, ok := restart(first)
	b, later, alsoOK := restart(second)
	switch {
	case ok && (!alsoOK || number >= later):
		return a, nil
	case alsoOK:
		return b, nil
	}
	return false, errors.New("$LogFile has no restart page that is known")
}

func empty(b []byte) bool {
	for _, c := range b {
		if c != 0xff {
			return false
		}
	}
	return true
}

// restart reads a restart page: whether the log is closed, and its number.
func restart(b []byte) (ended bool, number uint64, ok bool) {
	at := int(binary.LittleEndian.Uint16(b[24:]))
	if string(b[:4]) != "RSTR" || at < 30 || at > 510-48 { // behind that the last bytes of the sector are exchanged
		return false, 0, false
	}
	area := b[at:]
	ended = binary.LittleEndian.Uint16(area[12:]) == ntfsNoClient || binary.LittleEndian.Uint16(area[14:])&ntfsEnded != 0
	return ended, binary.LittleEndian.Uint64(area), true
}

// hibernated looks into \hiberfil.sys. A header that was resumed from says wake,
// one never used is zeroes; what is not known counts as neither.
func (n ntfsOf) hibernated() (bool, error) {
	file, err := n.Find("hiberfil.sys")
	if errors.Is(err, ntfs.ErrNotThere) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	size, err := file.SizeBytes()
	if err != nil || size == 0 {
		return false, err
	}
	b := make([]byte, min(size, 4096))
	if _, err := file.ReadAt(b, 0); err != nil {
		return false, fmt.Errorf("\\hiberfil.sys: %w", err)
	}
	mark := string(b[:min(4, len(b))])
	switch {
	case mark == "hibr" || mark == "HIBR":
		return true, nil
	case mark == "wake" || mark == "WAKE" || allZero(b):
		return false, nil
	}
	return false, fmt.Errorf("\\hiberfil.sys begins with %q, which is not known", mark)
}
