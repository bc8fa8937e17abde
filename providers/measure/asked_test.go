package measure

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/speed"
)

func folder(path string) Asked {
	return Asked{Form: speed.Folder, Path: path, Write: true, Bytes: LeastBytes, Runs: 2, Lasts: ShortestRun}
}

func TestAsked(t *testing.T) {
	for says, change := range map[string]func(*Asked){
		"nothing to measure was named":      func(a *Asked) { a.Path = "" },
		"0 runs were asked for":             func(a *Asked) { a.Runs = 0 },
		"21 runs were asked for":            func(a *Asked) { a.Runs = 21 },
		"runs of 1ms were asked for":        func(a *Asked) { a.Lasts = time.Millisecond },
		"runs of 1h0m0s were asked for":     func(a *Asked) { a.Lasts = time.Hour },
		"20 runs of 10m0s of each":          func(a *Asked) { a.Runs, a.Lasts = MostRuns, LongestRun },
		"a device is only ever read":        func(a *Asked) { a.Form = speed.Device },
		"writing was not allowed":           func(a *Asked) { a.Write = false },
		"a file of 67108865 bytes":          func(a *Asked) { a.Bytes++ },
		"a file of 1048576 bytes was asked": func(a *Asked) { a.Bytes = Block },
		"a file of -1048576 bytes":          func(a *Asked) { a.Bytes = -Block },
	} {
		a := folder("/srv")
		assert.NoError(t, a.check())
		change(&a)
		var p Problem
		assert.ErrorAs(t, a.check(), &p, says)
		assert.ErrorContains(t, p, says)
		assert.NotEmpty(t, p.Next)
	}
}

func TestMostWritten(t *testing.T) {
	a := Asked{Form: speed.Folder, Write: true, Bytes: 4 << 30, Runs: 5}
	assert.EqualValues(t, (4<<30)*16, a.MostWritten())
	assert.Len(t, a.kinds(), 6)
	a = Asked{Form: speed.Device, Bytes: 4 << 30, Runs: 5}
	assert.Zero(t, a.MostWritten())
	for _, k := range a.kinds() {
		assert.Equal(t, speed.Read, k.Deed)
	}
}

func TestRoom(t *testing.T) {
	a := folder("/srv")
	a.Bytes = 4 << 30
	assert.NoError(t, enough(a, 100<<30, 900<<30))
	assert.NoError(t, enough(a, 6<<30, 10<<30))
	for _, c := range []struct {
		free, all  int64
		says, next string
	}{
		{93 << 30, 900 << 30, "/srv has 93.0 GiB free of 900.0 GiB: with a file of 4.0 GiB less than 90.0 GiB would stay free", "at most 3072 MiB"},
		{6<<30 - 1, 10 << 30, "less than 2.0 GiB would stay free", "at most 4095 MiB"},
		{2<<30 + Block, 10 << 30, "less than 2.0 GiB", "make room, or name another folder"},
		{0, 0, "0 B free", "make room"},
	} {
		err := enough(a, c.free, c.all)
		var p Problem
		assert.ErrorAs(t, err, &p)
		assert.ErrorContains(t, err, c.says)
		assert.Contains(t, p.Next, c.next)
	}
}
