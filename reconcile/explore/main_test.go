package explore

import (
	"os"
	"runtime/debug"
	"testing"
)

// TestMain lets the heap grow: nearly all that is made here is kept.
func TestMain(m *testing.M) {
	debug.SetGCPercent(400)
	os.Exit(m.Run())
}
