package measure

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// Against the nearest rank in the sorted list of all (common practice): never less,
// and at most a 128th more.
func TestLatencies(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(rapid.Int64Range(0, math.MaxInt64), 1, 300).Draw(t, "list")
		if rapid.Bool().Draw(t, "usual") {
			list = rapid.SliceOfN(rapid.Int64Range(0, 1e9), 1, 3000).Draw(t, "list")
		}
		var one, two latencies
		for i, v := range list {
			[]*latencies{&one, &two}[i%2].add(time.Duration(v))
		}
		one.merge(&two)
		slices.Sort(list)
		for _, thousandths := range []int{1, 500, 990, 999, 1000} {
			exact := list[(len(list)*thousandths+999)/1000-1]
			got := int64(one.within(int64(thousandths)))
			assert.GreaterOrEqual(t, got, exact)
			assert.LessOrEqual(t, got-exact, exact/128)
		}
	})
}

func TestLatenciesAtTheEdges(t *testing.T) {
	var h latencies
	assert.Zero(t, h.within(500))
	h.add(-time.Second)
	assert.Zero(t, h.within(999))
	h.add(math.MaxInt64)
	assert.Equal(t, time.Duration(math.MaxInt64), h.within(1000))
}
