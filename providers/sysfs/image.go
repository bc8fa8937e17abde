package sysfs

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	qcow2reader "github.com/lima-vm/go-qcow2reader"
	"github.com/lima-vm/go-qcow2reader/image/raw"

	"lendkeep/providers/formats/qcow2"
)

// imageHead is what the first bytes of an image say.
type imageHead struct {
	format  string // "qcow2", "raw", ...
	basedOn string // name of another file as it stands in the header
}

// errMayBeBased is for formats that can be based on another file in ways that
// are not read here.
var errMayBeBased = errors.New("an image of this format may be based on another file, which is not read")

// readImageHead tells what an image looks like and the file that it would then be
// based on. A raw image may only look like that, since its guest can write it:
// what is found so counts as one more use, never as one less, and neither the
// format nor the file is read from or written into a definition. It reads
// the header and nothing more: qcow2reader itself would open that other file,
// outside the root too, and make a table as large as the header asks for, and a
// raw image may begin with whatever a guest wrote there.
func readImageHead(image io.ReaderAt) (imageHead, error) {
	first := make([]byte, 512)
	n, err := image.ReadAt(first, 0)
	if err != nil && err != io.EOF {
		return imageHead{}, err
	}
	first = first[:n]
	switch {
	case bytes.HasPrefix(first, []byte(qcow2.Magic)):
		return readQcow2Head(image)
	case bytes.HasPrefix(first, []byte("QED\x00")): // QEMU docs/interop/qed_spec.txt
		return imageHead{format: "qed"}, errMayBeBased
	}
	for _, format := range qcow2reader.Types {
		if format == "qcow2" {
			continue
		}
		if _, err := qcow2reader.OpenWithType(bytes.NewReader(first), format); err != nil {
			continue
		}
		if format == raw.Type {
			break
		}
		return imageHead{format: string(format)}, errMayBeBased
	}
	return imageHead{format: string(raw.Type)}, nil
}

// readQcow2Head reads the names of other files from a qcow2 header.
func readQcow2Head(image io.ReaderAt) (imageHead, error) {
	backing, data, err := qcow2.Others(image)
	head := imageHead{format: "qcow2", basedOn: backing}
	if err == nil && data != "" {
		if backing != "" {
			err = fmt.Errorf("it is based on %q, and its own data is in %q", backing, data)
		}
		// The file with its data is as good as one that it is based on.
		head.basedOn = data
	}
	return head, err
}
