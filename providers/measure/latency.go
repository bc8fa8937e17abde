package measure

import (
	"math/bits"
	"time"
)

// latencies counts how long operations took, each in one of the fields into which
// every power of two is divided, so that no value is told more than a 128th too
// high (common practice; fio has 64 fields).
type latencies struct {
	count   [(64 - fieldBits) << fieldBits]uint32 // of 63 bits, since no time is below nothing
	all     int64
	longest time.Duration
}

const fieldBits = 7

// add counts an operation. Less than nothing, of a clock that went back, counts as
// nothing: whoever made the run refuses it by its whole time.
func (h *latencies) add(took time.Duration) {
	took = max(took, 0)
	h.count[field(uint64(took))]++
	h.all++
	h.longest = max(h.longest, took)
}

// field gives the number of a value's field: values below 128 have their own, and of
// larger ones the 8 highest bits tell.
func field(v uint64) int {
	shift := max(bits.Len64(v)-fieldBits-1, 0)
	return shift<<fieldBits + int(v>>shift)
}

// highest gives the highest value of a field.
func highest(f int) time.Duration {
	if f < 1<<fieldBits {
		return time.Duration(f)
	}
	shift := f>>fieldBits - 1
	return time.Duration((uint64(f-shift<<fieldBits)+1)<<shift - 1)
}

// merge adds what another has counted.
func (h *latencies) merge(other *latencies) {
	for i, n := range other.count {
		h.count[i] += n
	}
	h.all += other.all
	h.longest = max(h.longest, other.longest)
}

// within gives the least time that so many thousandths of all operations did not
// exceed (nearest rank), rounded up to the end of its field; 0 where there were none.
func (h *latencies) within(thousandths int64) time.Duration {
	rank := (h.all*thousandths + 999) / 1000
	seen := int64(0)
	for i, n := range h.count {
		if seen += int64(n); seen >= rank && n > 0 {
			return min(highest(i), h.longest)
		}
	}
	return h.longest
}
