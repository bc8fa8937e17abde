package spec

import (
	"fmt"
	"strings"

	"github.com/hashicorp/hcl/v2/hclsyntax"
)

var (
	diskForm = &form{
		kind:   "disk",
		named:  wrongName,
		needs:  []string{"bus"},
		allows: []string{"image", "block", "format", "size", "copy_from"},
	}
	networkForm = &form{
		kind:   "network",
		named:  wrongName,
		allows: []string{"bridge", "network", "model", "mac"},
	}
)

func (r *reader) decodeDisk(source *hclsyntax.Block, inside string) Disk {
	b := r.open(source, diskForm, inside)
	d := Disk{
		Name:        b.name,
		Image:       b.checked("image", wrongImage),
		PartitionID: b.partition("block"),
		Format:      b.choice("format", formats...),
		Bus:         b.choice("bus", "virtio", "scsi", "sata"),
		SizeBytes:   b.size(sector),
		CopyFrom:    b.ref("copy_from", kindController),
		At:          b.at,
	}
	b.exactlyOne("image", d.Image, "block", d.PartitionID, "image = \"/PATH\", or block = partition(\"ID\")")
	if d.PartitionID != "" && d.SizeBytes != 0 {
		r.refuse(r.stated[spot{b.at, "size"}], "a partition has its own size",
			"Only an image that is yet to be made takes a size.", "remove size")
	}
	if d.PartitionID != "" && d.Format != "" {
		r.refuse(r.stated[spot{b.at, "format"}], "a partition has no image format",
			"Its bytes are the disk's. Only an image takes a format.", "remove format")
	}
	if d.CopyFrom != nil {
		b.made(d)
	}
	return d
}

// made reports what a disk that is made of a drive's system lacks, or has too much.
func (b *block) made(d Disk) {
	at := b.r.ranges[d.CopyFrom.At]
	switch {
	case d.PartitionID != "":
		b.r.refuse(at, "copy_from makes an image, not a partition",
			"The system of the drive is copied to a new file.", "write image = \"/PATH\" instead of block, or remove copy_from")
	case d.Format == "" && !b.r.broken[spot{b.at, "format"}]:
		b.r.refuse(at, "copy_from needs a format",
			"The file is new, so nothing else says how it is made.", "add format = \"qcow2\", or \"raw\"")
	case d.SizeBytes != 0:
		b.r.refuse(b.r.stated[spot{b.at, "size"}], "an image with copy_from has its own size",
			"It is as large as what is copied from the drive.", "remove size")
	}
}

func (r *reader) decodeNetwork(source *hclsyntax.Block, inside string) Network {
	b := r.open(source, networkForm, inside)
	n := Network{
		Name:    b.name,
		Bridge:  b.checked("bridge", wrongInterface),
		Network: b.checked("network", wrongLibvirtName),
		Model:   b.checked("model", wrongModelName),
		MAC:     strings.ToLower(b.checked("mac", wrongMAC)),
		At:      b.at,
	}
	b.exactlyOne("bridge", n.Bridge, "network", n.Network, "bridge = \"NAME\" of the host, or network = \"NAME\" in libvirt")
	return n
}

// exactlyOne reports a block with both of two attributes, or with neither. One
// that is stated but wrong counts as there; its mistake has been reported.
func (b *block) exactlyOne(first, firstText, second, secondText, hint string) {
	one := firstText != "" || b.r.broken[spot{b.at, first}]
	two := secondText != "" || b.r.broken[spot{b.at, second}]
	switch {
	case !one && !two:
		b.r.refuse(b.DefRange(), fmt.Sprintf("%s needs %s or %s", b.Type, first, second), "", "write "+hint)
	case one && two:
		b.r.refuse(b.r.stated[spot{b.at, second}], fmt.Sprintf("%s has both %s and %s", b.Type, first, second),
			"It is one or the other.", "write "+hint)
	}
}
