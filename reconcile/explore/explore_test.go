package explore

import (
	"fmt"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
)

// depth is how many deeds a sequence has, enough how many situations those of that
// length must come to.
const (
	depth  = 6
	enough = 100_000
)

// exploration is what was found on the way.
type exploration struct {
	came  map[situation]step // how each situation was first come to
	hosts int
	ran   [len(names)]bool // which guests ran at some time
	wrong string           // what must never be, with the deeds that led there
}

type step struct {
	from situation
	deed int16
}

// explore goes through every sequence of so many deeds, shortest first, and ends
// with the first that leads to what must never be.
func explore(t *testing.T, deep int, plant hole) exploration {
	survey, layout, rules := workshop(t)
	w := &world{places: places{known: map[[2]uint64]*place{}}, rules: rules, layout: layout, plant: plant}
	all := deeds()
	first := situation{host: w.of(memory.New(survey, nil))}
	e := exploration{came: map[situation]step{first: {deed: -1}}}
	for level := []situation{first}; deep > 0 && len(level) > 0; deep-- {
		var next []situation
		for n, list := range w.from(level, all) {
			for _, made := range list {
				if _, known := e.came[made.situation]; known {
					continue
				}
				e.came[made.situation] = step{level[n], made.deed}
				next = append(next, made.situation)
				for g, runs := range made.host.runs {
					e.ran[g] = e.ran[g] || runs
				}
				if wrong := made.wrong(); wrong != "" {
					e.wrong = wrong + ": " + e.way(made.situation, all)
					return e
				}
			}
		}
		level = next
	}
	e.hosts = len(w.known)
	return e
}

type made struct {
	situation
	deed int16
}

// from gives what every deed makes of each situation; in its own sequence,
// whichever processor was first.
func (w *world) from(level []situation, all []deed) [][]made {
	results := make([][]made, len(level))
	var group sync.WaitGroup
	workers := runtime.GOMAXPROCS(0)
	for worker := range workers {
		group.Go(func() {
			for n := worker; n < len(level); n += workers {
				for i, d := range all {
					if after, ok := d.do(w, level[n]); ok && after != level[n] {
						results[n] = append(results[n], made{after, int16(i)})
					}
				}
			}
		})
	}
	group.Wait()
	return results
}

// wrong says what must never be in a situation.
func (s situation) wrong() string {
	if text, bad := s.host.wrong.Load().(string); bad {
		return text
	}
	for n := range names {
		if s.under&(1<<n) == 0 {
			continue
		}
		if home := homes[names[n]]; home != "" && !s.host.mounted[home] {
			return fmt.Sprintf("%s may start, and %s, which it lives on, is not mounted", names[n], home)
		}
		for _, c := range s.lent(n) {
			if use := s.host.uses()[c]; use != "" {
				return fmt.Sprintf("%s may start, and the host uses what it borrows: %s", names[n], use)
			}
		}
	}
	return ""
}

// way tells the deeds that led to a situation.
func (e exploration) way(to situation, all []deed) string {
	var list []string
	for at := e.came[to]; at.deed >= 0; at = e.came[at.from] {
		list = append(list, all[at.deed].name)
	}
	slices.Reverse(list)
	return strings.Join(list, "; ")
}

// TestNothingIsInUseByTwo: no sequence of deeds leads to a controller with two
// users, a start that goes on under a use, a guest without what it lives on, or an
// order that leaves the host neither as it was nor as it was planned.
func TestNothingIsInUseByTwo(t *testing.T) {
	deep, least := depth, enough
	if testing.Short() {
		deep, least = 4, 2000
	}
	e := explore(t, deep, none)
	require.Empty(t, e.wrong)
	fmt.Printf("%d situations of %d hosts\n", len(e.came), e.hosts)
	assert.GreaterOrEqual(t, len(e.came), least)
	for n, name := range names {
		assert.Equal(t, name != "stranger", e.ran[n], name)
	}
}

// An exploration that finds nothing proves nothing unless it finds what is there.
func TestPlantedHolesAreFound(t *testing.T) {
	for _, plant := range []hole{blind, forgetful, shared, grantless, homeless, hasty} {
		t.Run(string(plant), func(t *testing.T) {
			e := explore(t, depth, plant)
			require.NotEmpty(t, e.wrong)
			fmt.Println(plant+":", e.wrong)
		})
	}
}
