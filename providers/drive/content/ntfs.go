package content

import (
	"encoding/binary"
	"errors"
	"fmt"

	"lendkeep/reconcile/facts"
)

// Of NTFS (kernel fs/ntfs3/ntfs.h; the marks as ntfs-3g judges them: volume.c,
// ntfs_volume_check_hiberfile, and logfile.c, ntfs_is_logfile_clean).
const (
	ntfsMFT, ntfsLog, ntfsVolume, ntfsRoot = 0, 2, 3, 5 // records that have fixed numbers

	ntfsElsewhere   = 0x20 // $ATTRIBUTE_LIST: more of it is in other records
	ntfsVolumeName  = 0x60
	ntfsVolumeMarks = 0x70
	ntfsContent     = 0x80
	ntfsIndexRoot   = 0x90
	ntfsIndexBlocks = 0xa0

	ntfsDirty     = 0x0001
	ntfsMustCheck = 0xc032 // others of the old kernel's VOLUME_MUST_MOUNT_RO_MASK (from memory)

	ntfsNoClient = 0xffff
	ntfsEnded    = 0x0002 // RESTART_VOLUME_IS_CLEAN
)

var errNTFS = errors.New("its file table cannot be followed")

// ntfsOf is an NTFS as far as its file table is read.
type ntfsOf struct {
	*volume
	cluster uint64 // bytes
	record  uint64 // bytes of a record of the file table
	index   uint64 // bytes of an index block
	mft     []run
}

func ntfs(v *volume) finding {
	b := v.at(0, 512)
	if string(b[3:11]) != "NTFS    " || b[510] != 0x55 || b[511] != 0xaa {
		return finding{}
	}
	id := fmt.Sprintf("%016X", binary.LittleEndian.Uint64(b[72:]))
	n, err := openNTFS(v, b)
	if err != nil {
		return filesystem("ntfs", id, "", facts.UnsureIfClean, err.Error())
	}
	condition, why := n.condition()
	return filesystem("ntfs", id, n.label(), condition, why)
}

func openNTFS(v *volume, b []byte) (*ntfsOf, error) {
	sector, per := uint64(binary.LittleEndian.Uint16(b[11:])), uint64(b[13])
	if per > 0x80 {
		per = 1 << (256 - per) // large clusters: the power, negative
	}
	n := &ntfsOf{volume: v, cluster: sector * per}
	n.record, n.index = n.size(b[64]), n.size(b[68])
	if sector < 256 || sector > 4096 || n.cluster == 0 || n.cluster > 2*mib || n.cluster&(n.cluster-1) != 0 ||
		n.record < 512 || n.record > 65536 || n.index < 512 || n.index > 65536 {
		return nil, errors.New("its boot sector contradicts itself")
	}
	at := binary.LittleEndian.Uint64(b[48:])
	// The start of the file table has to be read before it can be followed.
	n.mft = []run{{at: at, count: 1 + 16*n.record/n.cluster}}
	attributes, err := n.attributes(ntfsMFT)
	if err != nil {
		return nil, err
	}
	content := find(attributes, ntfsContent)
	if content == nil || content.runs == nil {
		return nil, errNTFS
	}
	n.mft = content.runs
	return n, nil
}

// size reads a size in clusters or, negative, as a power of two.
func (n *ntfsOf) size(b byte) uint64 {
	if b < 0x80 {
		return uint64(b) * n.cluster
	}
	return 1 << min(256-int(b), 62)
}

func (n *ntfsOf) label() string {
	attributes, err := n.attributes(ntfsVolume)
	if name := find(attributes, ntfsVolumeName); err == nil && name != nil {
		return wide(name.value, false)
	}
	return ""
}

// condition asks all three marks; the worst stands, and one that cannot be read
// is not a good one.
func (n *ntfsOf) condition() (facts.Condition, string) {
	asleep, err := n.hibernated()
	if asleep {
		return facts.Hibernated, `\hiberfil.sys holds a sleeping Windows (also after a shutdown with fast startup)`
	}
	var marks uint16
	attributes, err2 := n.attributes(ntfsVolume)
	if a := find(attributes, ntfsVolumeMarks); err2 == nil && a != nil && len(a.value) >= 12 {
		marks = binary.LittleEndian.Uint16(a.value[10:])
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
func (n *ntfsOf) logEnded() (bool, error) {
	attributes, err := n.attributes(ntfsLog)
	content := find(attributes, ntfsContent)
	if err != nil || content == nil || content.runs == nil {
		return false, errors.Join(err, errNTFS)
	}
	first, err := n.content(content, 0, 4096)
	if err != nil {
		return false, err
	}
	if empty(first) {
		return true, nil
	}
	page := uint64(binary.LittleEndian.Uint32(first[16:]))
	if string(first[:4]) != "RSTR" || page < 512 || page > 65536 || page&(page-1) != 0 {
		return false, errors.New("$LogFile has no restart page that is known")
	}
	second, err := n.content(content, page, 4096)
	if err != nil {
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
func (n *ntfsOf) hibernated() (bool, error) {
	reference, err := n.lookUp("hiberfil.sys")
	if err != nil || reference == 0 {
		return false, err
	}
	attributes, err := n.attributes(reference & (1<<48 - 1))
	if err != nil {
		return false, err
	}
	content := find(attributes, ntfsContent)
	if content == nil {
		return false, fmt.Errorf("\\hiberfil.sys: %w", errNTFS)
	}
	if content.size == 0 {
		return false, nil
	}
	b, err := n.content(content, 0, min(content.size, 4096))
	if err != nil {
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
