package suite

import (
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
	"lendkeep/reconcile/facts"
)

// starts is how many starts of each kind make a median.
const starts = 8

// timed starts and ends a guest in turn without the guard's hook, with it, and
// with a mount that the guard unmounts first, and prints the milliseconds of
// each: kind, unmounting by hand, start.
const timed = `
hook=` + facts.GuardHook + `
now() { local t=$EPOCHREALTIME; echo $((10#${t/./} / 1000)); }
for kind in bare guarded mounted; do
	device=$(lsblk -dnro SERIAL,PATH | grep ` + machine.Reel + ` | cut -d' ' -f2)
	findmnt /srv/shelf >/dev/null || mount -o noatime ${device}p2 /srv/shelf
	[ $kind = bare ] && mv $hook /run/guard.away
	a=$(now)
	[ $kind = mounted ] || umount /srv/shelf
	b=$(now)
	virsh -q start grading
	c=$(now)
	virsh -q destroy grading
	[ $kind = bare ] && mv /run/guard.away $hook
	for i in {1..100}; do lsblk -dnro SERIAL | grep -q ` + machine.Reel + ` && break; sleep 0.1; done
	udevadm settle
	echo $kind $((b - a)) $((c - b))
done
`

// BenchmarkGuardedStart measures what the guard adds to a start of a guest that
// borrows: medians of starts in turn, since the computer is shared.
func BenchmarkGuardedStart(b *testing.B) {
	h := guarded(b)
	for b.Loop() {
		h.run("rm", "-rf", "/var/lib/lendkeep/notes")
		took := map[string][]float64{}
		for range starts {
			for line := range strings.Lines(h.shell(timed)) {
				words := strings.Fields(line)
				require.Len(b, words, 3, line)
				for i, what := range []string{" unmount", " start"} {
					ms, err := strconv.ParseFloat(words[i+1], 64)
					require.NoError(b, err)
					took[words[0]+what] = append(took[words[0]+what], ms)
				}
			}
		}
		b.Log(took)
		notes := h.run("bash", "-c", "cat /var/lib/lendkeep/notes/*")
		assert.Equal(b, 2*starts, strings.Count(notes, "start checked"), "each start was checked or not, as meant")
		bare, guarded, mounted := took["bare start"], took["guarded start"], took["mounted start"]
		var more, ratio, byHand []float64 // of starts that followed one another: a busy computer slows all alike
		for i := range bare {
			more = append(more, guarded[i]-bare[i])
			ratio = append(ratio, guarded[i]/bare[i])
			byHand = append(byHand, mounted[i]/(bare[i]+took["bare unmount"][i]))
		}
		b.ReportMetric(median(bare), "ms/bare")
		b.ReportMetric(median(more), "ms/guard")
		b.ReportMetric(median(ratio), "guarded/bare")
		b.ReportMetric(median(byHand), "mounted/by-hand")
	}
}

func median(list []float64) float64 {
	slices.Sort(list)
	return (list[(len(list)-1)/2] + list[len(list)/2]) / 2
}
