package main

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

func TestProgressLines(t *testing.T) {
	var out bytes.Buffer
	now := time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)
	p := newProgress(&out)
	p.now = func() time.Time { return now }
	p.watch("copy", 1<<30, 5<<30) // it goes on where an earlier try was cut off
	for range 20 {
		now = now.Add(time.Second)
		p.watch("copy", p.from+uint64(now.Sub(p.began)/time.Second)*(100<<20), 5<<30)
	}
	now = now.Add(20 * time.Second)
	p.watch("copy", 5<<30, 5<<30)
	assert.Equal(t, `          copy: 2.0 GiB of 5.0 GiB, 100.0 MiB/s, left 30s
          copy: 3.0 GiB of 5.0 GiB, 100.0 MiB/s, left 20s
          copy: 5.0 GiB of 5.0 GiB, 102.4 MiB/s, left 0s
`, out.String())
}
