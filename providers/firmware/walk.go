package firmware

import "fmt"

// Bounds of a walk. Real images nest 4 deep, unpack to 14 MiB and warn of
// nothing; these leave room and keep a hostile image from filling memory.
const (
	maxImage    = 128 << 20 // bytes of a flash image; QEMU's largest flash is 64 MiB
	maxUnpacked = 64 << 20  // bytes decompressed, over the whole image
	maxDepth    = 16        // volumes and encapsulations within one another
	maxWarnings = 20        // kept; more say nothing new
)

// walk is one pass over an image.
type walk struct {
	found    []*file
	sawCore  bool // the program that dispatches all others
	unpacked int  // bytes decompressed so far
	warnings []string
	dropped  int // warnings beyond maxWarnings
}

// trail says where in the image the walk is, for warnings.
type trail struct {
	text  string
	depth int
}

// in gives the trail one level further in.
func (t trail) in(place string) trail {
	return trail{text: t.text + ", " + place, depth: t.depth + 1}
}

// warn records something that could not be read. After any warning nothing is
// called absent any more.
func (w *walk) warn(at trail, format string, args ...any) {
	if len(w.warnings) == maxWarnings {
		w.dropped++
		return
	}
	w.warnings = append(w.warnings, at.text+": "+fmt.Sprintf(format, args...))
}
