package firmware

import (
	"bytes"
	"fmt"
	"io"

	"lendkeep/providers/formats/guid"
)

// Image is a firmware image that was read. It keeps the unpacked content, so
// that parts can be taken out of it.
type Image struct {
	report Report
	found  []*file
}

// Read walks a flash image, raw or qcow2. It never refuses: what cannot be
// read makes answers unknown.
func Read(content []byte) *Image {
	w := &walk{}
	flash, err := rawFlash(content)
	if err != nil {
		w.warn(trail{text: "image"}, "%v", err)
	} else {
		w.flash(flash)
	}
	return w.image(Report{SHA256: hashOf(content), Bytes: int64(len(content))})
}

// image concludes from a finished walk.
func (w *walk) image(report Report) *Image {
	if !w.sawCore {
		// A variable store, the first half of a split image or no firmware
		// at all: nothing is said by what is not in it.
		w.warn(trail{text: "image"}, "no DXE core found, so this is not the part of a firmware that holds drivers")
	}
	report.Warnings = w.warnings
	if w.dropped > 0 {
		report.Warnings = append(report.Warnings, fmt.Sprintf("and %d more", w.dropped))
	}
	image := &Image{report: report, found: w.found}
	for _, part := range Parts() {
		image.report.Answers = append(image.report.Answers, image.answer(part))
	}
	if shell, err := image.Extract(Shell.GUID); err == nil {
		image.report.Shell = hashOf(shell)
	}
	if driver, err := image.Extract(NVMe.GUID); err == nil {
		if rom, err := (ROM{Driver: driver}).Build(); err == nil {
			image.report.ROM = romSum(rom)
		}
	}
	return image
}

// readAll reads a file of a known size.
func readAll(r io.Reader, size int64) ([]byte, error) {
	if size > maxImage {
		return nil, fmt.Errorf("read firmware image: %d bytes where at most %d are read", size, maxImage)
	}
	content := make([]byte, size)
	if _, err := io.ReadFull(r, content); err != nil {
		return nil, fmt.Errorf("read firmware image: %w", err)
	}
	return content, nil
}

// Report gives what was found.
func (image *Image) Report() Report { return image.report }

// Extract gives the program (PE32) of the file with that name, as its first
// valid instance holds it.
func (image *Image) Extract(name guid.GUID) ([]byte, error) {
	for _, f := range image.found {
		if f.name == name && f.program != nil {
			return bytes.Clone(f.program), nil
		}
	}
	return nil, fmt.Errorf("extract %s: %s", name.Upper(), image.whyMissing(name))
}

// answer decides on one part: one valid file suffices for present, and only a
// walk without any warning may say absent.
func (image *Image) answer(part Part) Answer {
	answer := Answer{Part: part.Name}
	for _, f := range image.found {
		if f.name == part.GUID && f.program != nil {
			answer.Held = Present
			return answer
		}
	}
	if answer.Why = image.whyMissing(part.GUID); answer.Why == "" {
		answer.Held = Absent
	}
	return answer
}

// whyMissing says why a part that was not found may be there all the same;
// empty when it is not.
func (image *Image) whyMissing(name guid.GUID) string {
	for _, f := range image.found {
		if f.name == name {
			return "its file holds no program that can be read"
		}
	}
	if len(image.report.Warnings) > 0 {
		return image.report.Warnings[0]
	}
	return ""
}
