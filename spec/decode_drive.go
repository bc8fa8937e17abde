package spec

import (
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

func (r *reader) decodeDrive(source *hclsyntax.Block, inside string) *Drive {
	b := r.open(source, driveForm, inside)
	drive := &Drive{
		CopyOf: b.wrapped("copy_of", imageType, wrongFile),
		Erase:  b.checked("erase", wrongDiskSerial),
		At:     b.at,
	}
	for _, p := range b.each("partition") {
		drive.Partitions = append(drive.Partitions, r.decodePartition(p, inside))
	}
	return drive
}

func (r *reader) decodePartition(source *hclsyntax.Block, inside string) Partition {
	b := r.open(source, partitionForm, inside)
	p := Partition{
		Name:   b.name,
		Format: b.choice("format", "xfs", "ext4"),
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

// wrapped reads the text in the answer of image() or partition().
func (b *block) wrapped(name string, kind cty.Type, wrong func(string) string) string {
	a, ok := b.get(name)
	if !ok {
		return ""
	}
	if a.Type() != kind {
		call := kind.FriendlyName() + "()"
		a.refuseType("an answer of "+call, "write "+name+" = "+kind.FriendlyName()+"(\"…\")")
		return ""
	}
	text := *a.EncapsulatedValue().(*string)
	if why := wrong(text); why != "" {
		a.refuse(name+" is not usable", sentence(why), "")
		return ""
	}
	return text
}
