package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// BenchmarkStart measures what the guard adds to the start of a guest: the
// whole program on this machine beside a program that does nothing, built
// alike, in the same run. The guest borrows a function that is not there, so
// the host is surveyed whole.
func BenchmarkStart(b *testing.B) {
	dir := b.TempDir()
	build := func(name, source string) string {
		file := filepath.Join(dir, name)
		command := exec.Command("go", "build", "-o", file, source)
		command.Env = append(os.Environ(), "CGO_ENABLED=0")
		said, err := command.CombinedOutput()
		require.NoError(b, err, "%s", said)
		return file
	}
	require.NoError(b, os.WriteFile(filepath.Join(dir, "nothing.go"), []byte("package main\n\nfunc main() {}\n"), 0o600))
	guard, nothing := build("guard", "."), build("nothing", filepath.Join(dir, "nothing.go"))
	definition := "<domain type='kvm'><name>x</name><devices><hostdev mode='subsystem' type='pci' managed='yes'>" +
		"<source><address domain='0x0000' bus='0xff' slot='0x1f' function='0x7'/></source></hostdev></devices></domain>"
	timed := func(program string) time.Duration {
		command := exec.Command(program, "x", "prepare", "begin", "-")
		command.Stdin = strings.NewReader(definition)
		begin := time.Now()
		_ = command.Run() // refused: this machine has no rules
		return time.Since(begin)
	}
	var guarded, bare time.Duration
	for b.Loop() {
		guarded += timed(guard)
		bare += timed(nothing)
	}
	b.ReportMetric(float64(guarded)/float64(bare), "times-as-much")
	b.ReportMetric(float64((guarded-bare).Microseconds())/1000/float64(b.N), "ms-more/start")
}
