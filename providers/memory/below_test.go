package memory_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// lendAll is a host without NVMe drives whose guests have one controller each.
func lendAll(b *invented.Builder, list ...facts.Address) *memory.Host {
	for i, at := range list {
		b.Guest(fmt.Sprint("g", i+1), "", b.Identity("c", at))
	}
	return memory.New(b.Survey, nil)
}

// Measured with Linux 6.1: a network card that was lent comes back down, same name,
// nothing restored; while it is lent the host sees no interface of it.
func TestCardComesBackDown(t *testing.T) {
	b := invented.NewBuilder()
	at := b.Network("eth3")
	f := b.Function(at)
	f.Interfaces = []facts.Interface{{Name: "eth3", Up: true, Addresses: []string{"192.0.2.7/24"}, Default: true, Built: []facts.Built{{Name: "br0", On: "eth3"}}}}
	f.Attached = []facts.Attached{{Name: "1-1", Class: "usb", Driver: "usbhid", Openers: []facts.Opener{{Process: "x"}}}, {Name: "fb0", Class: "graphics", Shows: facts.ShowsConsole}}
	h := lendAll(b, at)
	require.NoError(t, h.Start(t.Context(), "g1"))
	survey, err := h.Survey(t.Context())
	require.NoError(t, err)
	away := facts.NewIndex(&survey).Function(at)
	assert.Empty(t, away.Interfaces)
	assert.Empty(t, away.Attached)
	require.NoError(t, h.Stop(t.Context(), "g1", time.Second))
	survey, err = h.Survey(t.Context())
	require.NoError(t, err)
	back := facts.NewIndex(&survey).Function(at)
	assert.Equal(t, []facts.Interface{{Name: "eth3"}}, back.Interfaces)
	assert.Equal(t, []facts.Attached{{Name: "1-1", Class: "usb", Driver: "usbhid"}}, back.Attached)
}

// Measured with Linux 6.1: disks get the first names that are free, so that the host
// must not go by them.
func TestDisksComeBackUnderOtherNames(t *testing.T) {
	ctx := t.Context()
	named := func(h *memory.Host, at facts.Address) string {
		survey, err := h.Survey(ctx)
		require.NoError(t, err)
		ix := facts.NewIndex(&survey)
		var list []string
		for _, drive := range ix.Drives(at) {
			text := fmt.Sprint(drive.Name, " ", drive.Devno, " is ", drive.Links[1], " ", ix.Content(drive.Name).DataBytes)
			for _, part := range ix.Partitions(drive.Name) {
				text += fmt.Sprint(", ", part.Name, " ", part.Devno)
			}
			list = append(list, text)
		}
		return strings.Join(list, "; ")
	}
	made := func(change func(*invented.Builder)) (*memory.Host, facts.Address, facts.Address) {
		b := invented.NewBuilder()
		one, two := b.Storage("ata-sda", "ata-sdb"), b.Storage("ata-sdc")
		for n, name := range []string{"sda", "sdb", "sdc"} {
			b.Survey.Contents = append(b.Survey.Contents, facts.Content{Of: name, DataBytes: uint64(n)})
		}
		change(b)
		return lendAll(b, one, two), one, two
	}
	h, one, _ := made(func(*invented.Builder) {})
	before := named(h, one)
	require.NoError(t, h.Start(ctx, "g1"))
	assert.Empty(t, named(h, one))
	require.NoError(t, h.Stop(ctx, "g1", time.Second))
	assert.Equal(t, before, named(h, one), "nobody has taken the names")

	h, one, two := made(func(*invented.Builder) {})
	require.NoError(t, h.Start(ctx, "g1"))
	require.NoError(t, h.Start(ctx, "g2"))
	require.NoError(t, h.Stop(ctx, "g2", time.Second))
	require.NoError(t, h.Stop(ctx, "g1", time.Second))
	assert.Equal(t, "sda 8:0 is disk/by-id/ata-sdc 2, sda1 8:1", named(h, two))
	assert.Equal(t, "sdb 8:16 is disk/by-id/ata-sda 0, sdb1 8:17; sdc 8:32 is disk/by-id/ata-sdb 1, sdc1 8:33", named(h, one))

	h, one, _ = made(func(b *invented.Builder) { b.Mount("sda1", "/srv/shelf") })
	require.NoError(t, h.Start(ctx, "g1"))
	require.NoError(t, h.Stop(ctx, "g1", time.Second))
	assert.Equal(t, "sdb 8:16 is disk/by-id/ata-sda 0, sdb1 8:17; sdd 8:48 is disk/by-id/ata-sdb 1, sdd1 8:49", named(h, one), "the old one is still mounted")
}
