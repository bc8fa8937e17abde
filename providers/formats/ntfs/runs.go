package ntfs

import "fmt"

// Bounds for what is followed.
const (
	runsMost  = 1 << 16 // of one file
	countMost = 1 << 40 // clusters of one run, so that its bytes can be counted
)

// run is consecutive clusters of a file; those of a hole are not on the disk.
type run struct {
	at, count uint64
	hole      bool
}

// readRuns reads the list of runs: each has a byte with the lengths of the two
// numbers that follow, how many clusters, and where as the difference from the
// run before.
func readRuns(b []byte) ([]run, bool) {
	list := []run{}
	var at int64
	for len(b) > 0 && b[0] != 0 {
		counts, places := int(b[0]&0xf), int(b[0]>>4)
		if counts == 0 || counts > 8 || places > 8 || len(b) < 1+counts+places || len(list) == runsMost {
			return nil, false
		}
		count := signedNumber(b[1 : 1+counts])
		at += signedNumber(b[1+counts : 1+counts+places])
		if count <= 0 || count > countMost || at < 0 {
			return nil, false
		}
		list = append(list, run{uint64(at), uint64(count), places == 0})
		b = b[1+counts+places:]
	}
	return list, len(b) > 0
}

func signedNumber(b []byte) int64 {
	var v int64
	for i := len(b) - 1; i >= 0; i-- {
		v = v<<8 | int64(b[i])
	}
	if shift := 64 - 8*len(b); len(b) > 0 {
		v = v << shift >> shift
	}
	return v
}

// clusters counts those of some runs.
func clusters(runs []run) (n uint64) {
	for _, r := range runs {
		n += r.count
	}
	return n
}

// locate gives where a byte of a file is on the volume, and how many bytes of the
// file stand there in a row.
func (v *Volume) locate(runs []run, at uint64) (place, bytes uint64, hole bool, err error) {
	for _, r := range runs {
		here := r.count * v.cluster
		if at >= here {
			at -= here
			continue
		}
		if r.hole {
			return 0, here - at, true, nil
		}
		if most := v.size / v.cluster; r.at > most || r.count > most-r.at {
			return 0, 0, false, fmt.Errorf("%w: it leads out of the volume", errTable)
		}
		return r.at*v.cluster + at, here - at, false, nil
	}
	return 0, 0, false, fmt.Errorf("%w: it ends too early", errTable)
}

// fromRuns fills b with bytes that may lie in several runs.
func (v *Volume) fromRuns(runs []run, b []byte, at uint64) error {
	for len(b) > 0 {
		place, bytes, hole, err := v.locate(runs, at)
		if err != nil {
			return err
		}
		n := min(bytes, uint64(len(b)))
		if hole {
			clear(b[:n])
		} else if err := v.read(b[:n], place); err != nil {
			return err
		}
		b, at = b[n:], at+n
	}
	return nil
}
