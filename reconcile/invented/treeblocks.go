package invented

import (
	"cmp"
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
)

func (t *tree) blocks() {
	t.folder("sys/class/block")
	partitions := "major minor  #blocks  name\n"
	for _, parts := range []bool{false, true} { // a partition lies in its drive
		for i := range t.s.Blocks {
			if b := &t.s.Blocks[i]; (b.Whole != "") == parts {
				t.block(b)
				partitions += fmt.Sprintf("%d %d 1 %s\n", b.Devno.Major, b.Devno.Minor, b.Name)
			}
		}
	}
	for i := range t.s.Blocks {
		b := &t.s.Blocks[i]
		t.folder(t.dirs[b.Name] + "/holders")
		t.folder(t.dirs[b.Name] + "/slaves")
		for _, holder := range b.Holders {
			t.link(t.dirs[b.Name]+"/holders/"+holder, t.dirs[holder])
			t.link(t.dirs[holder]+"/slaves/"+b.Name, t.dirs[b.Name])
		}
	}
	t.files["proc/partitions"] = partitions
}

func (t *tree) block(b *facts.Block) {
	switch dir := t.dirs[b.Name]; {
	case b.Whole != "":
		t.dirs[b.Name] = t.dirs[b.Whole] + "/" + b.Name
	case dir != "": // a namespace
	case b.Controller != nil:
		t.dirs[b.Name] = t.dirOf(*b.Controller) + "/block/" + b.Name
	default:
		t.dirs[b.Name] = "sys/devices/virtual/block/" + b.Name
	}
	dir := t.dirs[b.Name]
	t.link("sys/class/block/"+b.Name, dir)
	t.files["dev/"+b.Name+" (block)"] = ""
	for file, value := range map[string]string{"size": fmt.Sprint(t.size(b) / 512), "ro": "0", "dev": b.Devno.String()} {
		t.text(dir+"/"+file, value)
	}
	if b.Whole == "" {
		t.text(dir+"/queue/logical_block_size", fmt.Sprint(max(b.SectorBytes, 512)))
	}
	if b.Partition != nil {
		t.text(dir+"/partition", fmt.Sprint(b.Partition.Number))
		t.text(dir+"/start", fmt.Sprint(b.Partition.StartBytes/512))
	}
	if b.Mapper != nil {
		t.text(dir+"/dm/name", b.Mapper.Name)
		t.text(dir+"/dm/uuid", b.Mapper.UUID)
	}
	if b.Array != "" {
		t.text(dir+"/md/level", b.Array)
	}
	if b.BackingFile != "" {
		t.text(dir+"/loop/backing_file", b.BackingFile)
	}
	t.udev(b)
}

// size gives that of a device, which a namespace has from its controller. What
// hangs on nothing must have some, or it would be nothing.
func (t *tree) size(b *facts.Block) uint64 {
	for _, f := range t.s.Functions {
		if b.Controller != nil && b.Whole == "" && f.Address == *b.Controller && f.NVMe != nil && len(f.NVMe.Namespaces) > 0 {
			return f.NVMe.Namespaces[0].SizeBytes
		}
	}
	return max(b.SizeBytes, 1<<20)
}

func (t *tree) udev(b *facts.Block) {
	record := "I:1\n"
	for _, link := range b.Links {
		record += "S:" + link + "\n"
	}
	word := func(name, value string) {
		if value != "" {
			record += "E:" + name + "=" + value + "\n"
		}
	}
	if sig := b.Signature; sig != nil {
		word("ID_FS_TYPE", sig.Kind)
		word("ID_FS_USAGE", sig.Usage)
		word("ID_FS_LABEL_ENC", sig.Label)
		word("ID_FS_UUID_ENC", sig.UUID)
	}
	if p := b.Partition; p != nil {
		word("ID_PART_ENTRY_UUID", p.ID)
		word("ID_PART_ENTRY_TYPE", p.Type)
		word("ID_PART_ENTRY_NAME", p.Name)
	}
	t.files["run/udev/data/b"+b.Devno.String()] = record
}

func (t *tree) mounts() {
	text := ""
	for i, m := range t.s.Mounts {
		if m.Elsewhere != "" {
			continue // another process's
		}
		text += fmt.Sprintf("%d 1 %s %s %s rw - %s %s %s\n", i+20, m.Devno, cmp.Or(m.Root, "/"), escape.Replace(m.Path), cmp.Or(m.Kind, "none"),
			cmp.Or(escape.Replace(m.Source), "none"), cmp.Or(strings.Join(m.SuperOptions, ","), "rw"))
		for _, name := range m.Devices {
			t.link(fmt.Sprintf("sys/fs/btrfs/%08d/devices/%s", i, name), t.dirs[name])
		}
	}
	t.files["proc/self/mountinfo"] = text
}

func (t *tree) swaps() {
	text := "Filename Type Size Used Priority\n"
	for _, s := range t.s.Swaps {
		text += fmt.Sprintf("%s %s 1 0 -2\n", escape.Replace(s.Path), map[bool]string{false: "partition", true: "file"}[s.File])
	}
	t.files["proc/swaps"] = text
}

// escape writes a path as the files of /proc do (Linux fs/seq_file.c, mangle_path).
var escape = strings.NewReplacer(" ", `\040`, "\t", `\011`, "\n", `\012`, `\`, `\134`)
