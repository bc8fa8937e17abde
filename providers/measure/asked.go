package measure

import (
	"fmt"
	"time"

	"lendkeep/reconcile/speed"
)

// Asked is what somebody wants to have measured.
type Asked struct {
	Form  speed.Form
	Path  string // the folder, or the device
	Write bool   // the program may write; a folder cannot be measured without, a device not with
	Bytes int64  // size of the file in a folder, a multiple of Block; of a device nothing
	Runs  int    // of each series, 1 to MostRuns
	Lasts time.Duration
	Label string
}

// Block is the largest block of any series, of which a file has a whole number.
const Block = 1 << 20

// Bounds of what can be asked.
const (
	LeastBytes   = 64 * Block
	MostBytes    = 1 << 40
	MostRuns     = speed.MaxRuns
	ShortestRun  = 10 * time.Millisecond
	LongestRun   = 10 * time.Minute
	Longest      = 12 * time.Hour // all runs
	UsualBytes   = 4 << 30
	UsualRuns    = 5 // the fewest of which two series can be told apart (reconcile/speed)
	UsualLasting = 5 * time.Second
)

// kinds gives the series that are measured: of a device those that read.
func (a Asked) kinds() []speed.Kind {
	var list []speed.Kind
	for _, k := range speed.Kinds {
		if k.Deed == speed.Read || a.Write {
			list = append(list, k)
		}
	}
	return list
}

// MostWritten gives the most bytes that are written: the file once to fill it, and
// it once more in each run of a series that writes, since such a run ends after its
// time, or once it has written as much as the file has.
func (a Asked) MostWritten() int64 {
	if a.Form != speed.Folder {
		return 0
	}
	runs := int64(0)
	for _, k := range speed.Kinds {
		if k.Deed == speed.Write {
			runs += int64(a.Runs)
		}
	}
	return a.Bytes * (1 + runs)
}

// check refuses what cannot be measured, before anything is touched.
func (a Asked) check() error {
	switch {
	case a.Path == "":
		return problem("nothing to measure was named", "name a folder or a device")
	case a.Runs < 1 || a.Runs > MostRuns:
		return problem(fmt.Sprintf("%d runs were asked for", a.Runs), fmt.Sprintf("ask for 1 to %d", MostRuns))
	case a.Lasts < ShortestRun || a.Lasts > LongestRun:
		return problem(fmt.Sprintf("runs of %v were asked for", a.Lasts), fmt.Sprintf("ask for %v to %v", ShortestRun, LongestRun))
	case a.Lasts*time.Duration(a.Runs*len(a.kinds())) > Longest:
		return problem(fmt.Sprintf("%d runs of %v of each series take longer than %v", a.Runs, a.Lasts, Longest), "ask for fewer, or shorter ones")
	case a.Form == speed.Device && a.Write:
		return problem("a device is only ever read", "measure a folder on it to measure writing")
	case a.Form == speed.Folder && !a.Write:
		return problem("a folder is measured with a file that must be written first, and writing was not allowed", "allow writing")
	case a.Form == speed.Folder && (a.Bytes < LeastBytes || a.Bytes > MostBytes || a.Bytes%Block != 0):
		return problem(fmt.Sprintf("a file of %d bytes was asked for", a.Bytes), fmt.Sprintf("ask for whole MiB, from %d MiB to %d GiB", LeastBytes>>20, int64(MostBytes)>>30))
	}
	return nil
}
