package spec

import (
	"strings"

	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty"
)

var (
	driveForm = &form{
		kind:   "drive",
		allows: []string{"copy_of", "erase"},
		many:   []string{"partition"},
	}
	partitionForm = &form{
		kind:   "partition",
		named:  wrongPartition,
		needs:  []string{"size"},
		allows: []string{"format"},
	}
)

// sector is the smallest unit that disks and images are measured in.
const sector = 512

// formats are those of images that lendkeep reads (QEMU docs/system/images.rst
// lists more).
var formats = []string{"qcow2", "raw"}

// Filesystems gives those that a layout can state as a partition's format.
func Filesystems() []string { return []string{"xfs", "ext4"} }

func (r *reader) decodeDrive(source *hclsyntax.Block, inside string) *Drive {
	b := r.open(source, driveForm, inside)
	drive := &Drive{
		Erase: b.checked("erase", wrongDiskSerial),
		At:    b.at,
	}
	drive.CopyOf, drive.CopyFormat = b.picture("copy_of")
	for _, p := range b.each("partition") {
		drive.Partitions = append(drive.Partitions, r.decodePartition(p, inside))
	}
	return drive
}

func (r *reader) decodePartition(source *hclsyntax.Block, inside string) Partition {
	b := r.open(source, partitionForm, inside)
	p := Partition{
		Name:   b.name,
		Format: b.choice("format", Filesystems()...),
		At:     b.at,
	}
	size, ok := b.get("size")
	switch {
	case !ok:
	case size.Type() == restType:
		p.Rest = true
	default:
		p.SizeBytes = size.bytes(sector)
	}
	return p
}

// picture reads an answer of image().
func (b *block) picture(name string) (path, format string) {
	a, ok := b.wrapped(name, imageType)
	if !ok {
		return "", ""
	}
	image := *a.EncapsulatedValue().(*picture)
	if why := wrongImage(image.path); why != "" {
		a.refuse(name+" is not usable", sentence(why), "")
		return "", ""
	}
	if image.format != "" {
		a.oneOf("the format of "+name, image.format, formats)
	}
	return image.path, image.format
}

// partition reads an answer of partition(), a GPT id.
func (b *block) partition(name string) string {
	a, ok := b.wrapped(name, partitionType)
	if !ok {
		return ""
	}
	id := *a.EncapsulatedValue().(*string)
	if why := wrongGUID(id); why != "" {
		a.refuse(name+" is not usable", sentence(why), "")
		return ""
	}
	return strings.ToLower(id)
}

// wrapped reads the answer of a function that says what kind of thing it is.
func (b *block) wrapped(name string, kind cty.Type) (attribute, bool) {
	a, ok := b.get(name)
	if ok && a.Type() != kind {
		a.refuseType("an answer of "+kind.FriendlyName()+"()", "write "+name+" = "+kind.FriendlyName()+"(\"…\")")
		return a, false
	}
	return a, ok
}
