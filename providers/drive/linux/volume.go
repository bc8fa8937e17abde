package linux

import (
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"

	"lendkeep/providers/formats/ext"
	"lendkeep/providers/formats/fat"
	"lendkeep/providers/formats/xfs"
	"lendkeep/reconcile/facts"
)

// tree is a filesystem. Its files are known by numbers.
type tree interface {
	Root() uint64
	// Stat gives what a file is, and its size in bytes; of neither a regular file, a
	// folder nor a link fs.ModeIrregular.
	Stat(number uint64) (fs.FileMode, int64, error)
	List(number uint64) (map[string]uint64, error)
	Link(number uint64) (string, error)
	Open(number uint64) (io.ReaderAt, error)
}

// volume is a partition, or a disk without any.
type volume struct {
	facts.Volume
	partID, partLabel, kind string // of the table's entry
	tree                    tree   // nil: what is on it is not read
	gap                     string // why
	asked                   bool   // an answer rests on it
	spent                   int    // bytes of folders and texts that were read of it
}

// spendMost bounds what is read of one filesystem besides kernels and initramfs
// images, in bytes: a folder of a hundred thousand names is passed through a few times.
const spendMost = 256 << 20

func (v *volume) spend(bytes int) error {
	if v.spent += bytes; v.spent > spendMost {
		return fmt.Errorf("%s: too much to look through", v.name())
	}
	return nil
}

// list lists a folder of it.
func (v *volume) list(number uint64) (map[string]uint64, error) {
	files, err := v.tree.List(number)
	if err == nil {
		err = v.spend(entryBytes * len(files))
	}
	return files, err
}

const entryBytes = 32 // of a folder, about

// volumes opens what can be read of a disk.
func volumes(r io.ReaderAt, c *facts.Content) []*volume {
	var list []*volume
	if c.Table == nil && c.Signature != nil {
		list = append(list, newVolume(r, facts.Volume{Signature: c.Signature, Condition: facts.UnsureIfClean, Why: "nobody looked"}, 0, c.SizeBytes))
	}
	for i := range c.Volumes {
		at := slices.IndexFunc(c.Table.Entries, func(e facts.Entry) bool { return e.Number == c.Volumes[i].Number })
		if at < 0 {
			continue
		}
		e := c.Table.Entries[at]
		start, size := e.Span(c.SectorBytes)
		v := newVolume(r, c.Volumes[i], start, size)
		v.partID, v.partLabel, v.kind = e.ID, e.Name, e.Type
		if c.Table.Kind == "dos" && c.Table.ID != "" { // as the kernel names them (block/partitions/msdos.c)
			v.partID = fmt.Sprintf("%s-%02x", c.Table.ID, e.Number)
		}
		list = append(list, v)
	}
	return list
}

func newVolume(r io.ReaderAt, seen facts.Volume, start, size uint64) *volume {
	v := &volume{Volume: seen}
	if v.Signature == nil {
		v.gap = "has nothing on it that is known"
		return v
	}
	part := io.NewSectionReader(r, int64(start), int64(size))
	var err error
	switch v.Signature.Kind {
	case "ext2", "ext3", "ext4":
		v.tree, err = nilled(ext.Open(part, size))
	case "xfs":
		v.tree, err = nilled(xfs.Open(part, size))
	case "vfat":
		v.tree, err = openFAT(part, int64(size))
	default:
		err = fmt.Errorf("is %s, which lendkeep does not look into", v.Signature.Kind)
	}
	if err != nil {
		v.tree, v.gap = nil, err.Error()
	}
	return v
}

// nilled keeps a pointer to nothing from being a tree.
func nilled[T tree](t T, err error) (tree, error) {
	if err != nil {
		return nil, err
	}
	return t, nil
}

// name names it for people.
func (v *volume) name() string {
	if v.Number == 0 {
		return "the disk"
	}
	return fmt.Sprintf("partition %d", v.Number)
}

// is tells whether a text of fstab, or an id or label alone, names it.
func (v *volume) is(name string) bool {
	for link, tag := range map[string]string{"uuid": "UUID", "label": "LABEL", "partuuid": "PARTUUID", "partlabel": "PARTLABEL"} {
		if rest, ok := strings.CutPrefix(name, "/dev/disk/by-"+link+"/"); ok {
			name = tag + "=" + rest
		}
	}
	tag, value, tagged := strings.Cut(name, "=")
	var id, label string
	if v.Signature != nil {
		id, label = v.Signature.UUID, v.Signature.Label
	}
	same := func(known string) bool { return known != "" && strings.EqualFold(known, value) }
	switch tag {
	case "UUID":
		return same(id)
	case "PARTUUID":
		return same(v.partID)
	case "LABEL":
		return value != "" && label == value
	case "PARTLABEL":
		return value != "" && v.partLabel == value
	}
	return !tagged && name != "" && (strings.EqualFold(id, name) || label == name)
}

// stale says why what is read of it may be older than what was written; empty: it is
// not. FAT has no journal: its bytes are what there is.
func (v *volume) stale() string {
	if v.Condition == facts.Clean || v.Signature != nil && v.Signature.Kind == "vfat" {
		return ""
	}
	if v.Why == "" {
		return "it is not known how " + v.name() + " was left"
	}
	return v.name() + ": " + v.Why
}

// fatTree numbers the files of a FAT filesystem as they are seen.
type fatTree struct {
	v      *fat.Volume
	files  []fat.File
	listed map[uint64]map[string]uint64
}

func openFAT(r io.ReaderAt, size int64) (tree, error) {
	v, err := fat.Open(r, size)
	if err != nil {
		return nil, err
	}
	return &fatTree{v: v, files: []fat.File{{Folder: true}}, listed: map[uint64]map[string]uint64{}}, nil
}

// filesMost bounds how many files of a FAT filesystem are remembered.
const filesMost = 200000

func (t *fatTree) Root() uint64 { return 0 }

func (t *fatTree) Stat(number uint64) (fs.FileMode, int64, error) {
	f := t.files[number]
	if f.Folder {
		return fs.ModeDir, 0, nil
	}
	return 0, f.Bytes, nil
}

func (t *fatTree) List(number uint64) (map[string]uint64, error) {
	if list := t.listed[number]; list != nil {
		return list, nil
	}
	var files []fat.File
	var err error
	if number == 0 {
		files, err = t.v.Root()
	} else {
		files, err = t.v.List(t.files[number].Cluster)
	}
	if err == nil && len(t.files)+len(files) > filesMost {
		err = fmt.Errorf("more than %d files", filesMost)
	}
	if err != nil {
		return nil, err
	}
	list := map[string]uint64{}
	for _, f := range files {
		if f.Name != "." && f.Name != ".." {
			list[f.Name] = uint64(len(t.files))
			t.files = append(t.files, f)
		}
	}
	t.listed[number] = list
	return list, nil
}

func (t *fatTree) Link(uint64) (string, error) { return "", fs.ErrInvalid }

func (t *fatTree) Open(number uint64) (io.ReaderAt, error) { return t.v.Open(t.files[number]) }
