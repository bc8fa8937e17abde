package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/testdata/outside"
)

// BenchmarkStart measures what the guard adds to the start of a guest: the
// whole program on this machine beside a program that does nothing, built
// alike, in the same run. The guest borrows a function without a driver, of which
// the kernel need not be asked who holds it, and may start.
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
	guarding, nothing := build("guard", "."), build("nothing", filepath.Join(dir, "nothing.go"))
	at := driverless(b)
	guarded(b)
	definition := fmt.Sprintf("<domain type='kvm'><name>x</name><devices><hostdev mode='subsystem' type='pci' managed='yes'>"+
		"<source><address domain='0x%04x' bus='0x%02x' slot='0x%02x' function='0x%x'/></source></hostdev></devices></domain>", at.Segment, at.Bus, at.Slot, at.Function)
	timed := func(program string) time.Duration {
		command := exec.Command(program, "x", "prepare", "begin", "-")
		command.Stdin = strings.NewReader(definition)
		begin := time.Now()
		said, err := command.CombinedOutput()
		took := time.Since(begin)
		require.NoError(b, err, "%s", said)
		return took
	}
	var with, bare time.Duration
	for b.Loop() {
		with += timed(guarding)
		bare += timed(nothing)
	}
	b.ReportMetric(float64(with)/float64(bare), "times-as-much")
	b.ReportMetric(float64((with-bare).Microseconds())/1000/float64(b.N), "ms-more/start")
}

// driverless gives a function of this machine that no driver has.
func driverless(b *testing.B) facts.Address {
	folders, err := filepath.Glob("/sys/bus/pci/devices/*")
	require.NoError(b, err)
	for _, folder := range folders {
		at, err := facts.ParseAddress(filepath.Base(folder))
		if _, driven := os.Lstat(folder + "/driver"); err == nil && os.IsNotExist(driven) {
			return at
		}
	}
	outside.Missing(b, "a PCI function without a driver")
	return facts.Address{}
}

// guarded installs rules that say nothing of this machine, where only this benchmark
// and the programs that it starts see them; and what those leave is left there.
func guarded(b *testing.B) {
	room := b.TempDir()
	runtime.LockOSThread() // for good: the thread ends with the benchmark
	if err := unix.Unshare(unix.CLONE_NEWNS | unix.CLONE_FS); err != nil {
		outside.Missing(b, "a mount namespace of its own: "+err.Error())
	}
	require.NoError(b, unix.Mount("", "/", "", unix.MS_REC|unix.MS_PRIVATE, ""))
	require.NoError(b, unix.Mount("tmpfs", room, "tmpfs", 0, "mode=755"))
	b.Cleanup(func() { _ = unix.Unmount(room, unix.MNT_DETACH) }) // the namespace ends with the thread
	for _, place := range []string{"/etc", "/run", "/var/lib"} {
		upper, making := filepath.Join(room, place, "upper"), filepath.Join(room, place, "making")
		require.NoError(b, os.MkdirAll(upper, 0o755))
		require.NoError(b, os.MkdirAll(making, 0o755))
		if err := unix.Mount("overlay", place, "overlay", 0, "lowerdir="+place+",upperdir="+upper+",workdir="+making); err != nil {
			outside.Missing(b, "an overlay of "+place+": "+err.Error())
		}
	}
	require.NoError(b, os.MkdirAll(filepath.Dir(facts.GuardRules), 0o755))
	rules := guard.Rules{Format: guard.Format, NeverLend: []string{}, Controllers: []guard.Controller{}, Guests: []guard.Guest{}}
	require.NoError(b, os.WriteFile(facts.GuardRules, []byte(rules.Encode()), facts.RulesMode))
}
