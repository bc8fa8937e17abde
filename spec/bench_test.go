package spec_test

import (
	"fmt"
	"math"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/stretchr/testify/require"

	"lendkeep/spec"
)

// manyGuests gives a layout of n guests, a controller for every fourth of them,
// and a shift for each ten.
func manyGuests(n int) []spec.File {
	var text strings.Builder
	text.WriteString("host \"larch\" {}\nvalues { images = \"/srv/images\" }\n")
	for i := range n {
		borrows := ""
		if i%4 == 0 {
			fmt.Fprintf(&text, "controller \"c%d\" {\n  nvme { serial = \"RL-%d\" }\n  drive {\n    partition \"p\" { size = rest() }\n  }\n"+
				"  return {\n    mount \"p\" { at = \"/srv/c%d\" }\n  }\n}\n", i, i, i)
			borrows = fmt.Sprintf("controller.c%d", i)
		}
		fmt.Fprintf(&text, "guest \"g%d\" {\n  borrows = [%s]\n  cpu { count = 2 }\n  memory { size = gib(2) }\n"+
			"  disk \"system\" {\n    image = \"${value.images}/g%d.qcow2\"\n    bus   = \"virtio\"\n  }\n"+
			"  network \"house\" { bridge = \"br0\" }\n}\n", i, borrows, i)
		if i%10 == 9 {
			fmt.Fprintf(&text, "shift \"s%d\" { guests = [guest.g%d, guest.g%d] }\n", i, i-1, i)
		}
	}
	return []spec.File{{Name: "layout.hcl", Bytes: []byte(text.String())}}
}

// BenchmarkLoad compares reading a layout with merely parsing its text, and ten
// times the guests with one time: reading should stay near parsing, and grow
// with the text.
func BenchmarkLoad(b *testing.B) {
	small := timeOf(b, 200)
	large := timeOf(b, 2000)
	b.ReportMetric(small.load/small.parse, "load/parse")
	b.ReportMetric(large.load/small.load, "2000/200-guests")
	b.ReportMetric(small.load/1e6, "ms/200-guests")
	b.ReportMetric(0, "ns/op")
}

type times struct{ load, parse float64 } // nanoseconds

func timeOf(b *testing.B, guests int) times {
	files := manyGuests(guests)
	best := times{math.Inf(1), math.Inf(1)}
	for range 20 {
		runtime.GC()
		started := time.Now()
		_, ds := spec.LoadSources("", files, larch)
		require.Empty(b, ds)
		best.load = min(best.load, float64(time.Since(started)))

		runtime.GC()
		started = time.Now()
		_, broken := hclsyntax.ParseConfig(files[0].Bytes, "", hcl.InitialPos)
		require.Empty(b, broken)
		best.parse = min(best.parse, float64(time.Since(started)))
	}
	return best
}
