package suite

import (
	"encoding/json"
	"fmt"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated"
	"lendkeep/providers/emulated/machine"
	"lendkeep/reconcile/watch"
	"lendkeep/testdata/emuhost"
)

// Where the watch of these tests writes, and the operator's command.
const (
	watchOut  = "/var/log/watch.json"
	watchLog  = "/var/log/watch.log"
	alarmed   = "/var/log/alarms.json"
	alarmFile = "/root/tell-me"
)

// alarming is the quick workshop with a command that keeps what it is told. Its
// returns may take longer: on a busy computer they do.
var alarming = strings.NewReplacer(`within = "5s"`, `within = "15s"`, "  never_lend", `  alarm      = ["`+alarmFile+`", "`+alarmed+"\"]\n  never_lend").Replace(quick)

// watched is a host with a watch of which the events are read one by one.
type watched struct {
	host
	program *emulated.Program
	read    int
}

// watchedLarch gives larch guarded, with an operator's command and a watch.
func watchedLarch(t *testing.T) *watched {
	h := withProgram(t)
	t.Cleanup(func() { h.run("rm", "-f", watchOut, watchLog, alarmed, alarmFile) })
	require.NoError(t, h.emulated.WriteFile(t.Context(), alarmFile, []byte("#!/bin/sh\nexec cat >> \"$1\"\n"), 0o755))
	h.shelved()
	h.layout(alarming)
	h.define(emuhost.Guest{Name: "grading"})
	h.apply()
	h.restartLibvirt()
	w := &watched{host: h}
	w.begin()
	return w
}

// begin starts the watch and waits until it follows libvirt.
func (w *watched) begin() {
	w.Helper()
	before := w.following()
	var err error
	w.program, err = w.emulated.Begin(w.Context(), emulated.Command{Argv: []string{"bash", "-c", "exec lendkeep watch --json --log-level info >>" + watchOut + " 2>>" + watchLog}})
	require.NoError(w, err)
	program := w.program
	w.Cleanup(func() { _ = program.Signal(w.Context(), syscall.SIGKILL) }) // most have ended by then
	w.next(watch.Began)
	w.until(time.Minute, "the watch follows libvirt", func() bool { return w.following() > before })
}

// kill ends the watch as nothing can that it could answer to.
func (w *watched) kill() {
	w.Helper()
	require.NoError(w, w.program.Signal(w.Context(), syscall.SIGKILL))
	_, err := w.program.Await(w.Context())
	require.NoError(w, err)
}

// following counts how often a watch has connected to libvirt.
func (w *watched) following() int {
	return strings.Count(w.try("cat", watchLog).Stdout, "following libvirt")
}

// told gives the events that watches have printed.
func (w *watched) told() []watch.Event { return eventsIn(w.host, watchOut) }

// eventsIn reads a file of one event a line; one that is being written is left out.
func eventsIn(h host, name string) []watch.Event {
	h.Helper()
	var list []watch.Event
	for line := range strings.Lines(h.try("cat", name).Stdout) {
		if strings.HasSuffix(line, "\n") {
			e, err := watch.Decode([]byte(line))
			require.NoError(h, err)
			list = append(list, e)
		}
	}
	return list
}

// next waits for the next event of a kind; what comes before it is passed by.
func (w *watched) next(kind watch.Kind) watch.Event {
	w.Helper()
	var found watch.Event
	begin := time.Now()
	w.until(time.Minute, "the watch tells: "+string(kind), func() bool {
		list := w.told()
		for ; w.read < len(list); w.read++ {
			if list[w.read].Kind == kind {
				found = list[w.read]
				w.read++
				return true
			}
		}
		return false
	})
	w.Logf("%-15s waited for %4.1f s: %s", kind, time.Since(begin).Seconds(), found)
	return found
}

// alarm waits until the operator's command was told of a key.
func (w *watched) alarm(kind watch.Kind, key string) watch.Event {
	w.Helper()
	var found watch.Event
	w.until(time.Minute, string(kind)+" "+key, func() bool {
		for _, e := range eventsIn(w.host, alarmed) {
			if e.Kind == kind && e.Key == key {
				found = e
				return true
			}
		}
		return false
	})
	return found
}

// history is what status says of the past.
func (w *watched) history() (loans []watch.Loan) {
	w.Helper()
	var shown struct{ Loans []watch.Loan }
	require.NoError(w, json.Unmarshal([]byte(w.mustLendkeep("status", "--history", "--json")), &shown))
	return shown.Loans
}

// A day of the watch: an order lends, libvirt is restarted, guests are killed,
// refused and plugged into, the watch itself is killed, and at last the host
// loses its power. Every lend is in the history once, with its end.
func TestWatch(t *testing.T) {
	w := watchedLarch(t)
	address := w.controllers()[machine.Reel]

	w.apply("--shift", "day")
	lent := w.next(watch.Lent)
	assert.Equal(t, []string{"reel", machine.Reel, "grading", string(watch.ByStart)}, []string{lent.Controller, lent.Serial, lent.Guest, string(lent.Way)})

	before := w.following()
	w.restartLibvirt()
	begin := time.Now()
	w.until(time.Minute, "the watch has connected again", func() bool { return w.following() > before })
	t.Logf("connected again %.1f s after libvirt answered", time.Since(begin).Seconds())

	w.run("pkill", "-KILL", "-f", "guest=grading")
	back := w.next(watch.Returned)
	assert.Equal(t, watch.Home, back.Way)
	assert.Equal(t, lent.At, back.Since, "the same lend, through libvirt's restart")
	assert.Equal(t, []string{"/srv/shelf"}, back.Mounted)
	assert.Positive(t, back.Took)
	assert.Empty(t, back.Wrong)
	w.whole()

	w.shell("mount " + w.namespace(machine.Reel) + "p1 /mnt/start")
	require.NotZero(t, w.try("virsh", "start", "grading").Exit)
	refused := w.next(watch.Refused)
	assert.Contains(t, refused.Text, "/mnt/start")
	w.alarm(watch.Refused, "")
	w.run("umount", "/mnt/start")

	w.plugged(address)

	w.lent()
	lent = w.next(watch.Lent)
	assert.Equal(t, watch.ByStart, lent.Way)
	assert.Equal(t, []string{"/srv/shelf"}, lent.Unmounted)
	w.kill()
	w.begin()
	w.run("virsh", "destroy", "grading")
	assert.Equal(t, lent.At, w.next(watch.Returned).Since, "known from the history, not found anew")
	w.whole()

	w.lent()
	lent = w.next(watch.Lent)
	w.kill()
	w.run("virsh", "destroy", "grading")
	w.whole()
	w.lent() // the second of two that nobody has seen
	w.begin()
	assert.Equal(t, lent.At, w.next(watch.Returned).Since)
	lent = w.next(watch.Lent)

	w.run("sync")
	require.NoError(t, w.emulated.PowerCut())
	require.NoError(t, w.emulated.PowerOn(t.Context(), machine.Larch()))
	w.run("rm", "-f", watchOut, alarmed) // neither was synced; the history was
	w.read = 0
	w.begin()
	back = w.next(watch.Returned)
	assert.Equal(t, watch.Restarted, back.Way)
	assert.Equal(t, lent.At, back.Since)
	require.Len(t, back.Wrong, 1)
	assert.Contains(t, back.Wrong[0], "shelf is not mounted at /srv/shelf")
	w.alarm(watch.Alarm, "mount /srv/shelf reel")
	w.apply()
	w.next(watch.Over)
	w.whole()
	w.complete()
}

// plugged has the reel plugged into a running guest that the layout lends
// nothing to, which libvirt asks no hook about.
func (w *watched) plugged(address string) {
	w.Helper()
	w.defineWith(emuhost.Guest{Name: "visitor"}, "<controller type='pci' index='0' model='pcie-root'/><controller type='pci' index='1' model='pcie-root-port'/>")
	w.run("virsh", "start", "visitor")
	var segment, bus, slot, function int
	_, err := fmt.Sscanf(address, "%04x:%02x:%02x.%1x", &segment, &bus, &slot, &function)
	require.NoError(w, err)
	device := fmt.Sprintf("<hostdev mode='subsystem' type='pci' managed='yes'><source><address domain='%d' bus='%d' slot='%d' function='%d'/></source></hostdev>", segment, bus, slot, function)
	require.NoError(w, w.emulated.WriteFile(w.Context(), "/tmp/reel.xml", []byte(device), 0o644))
	w.run("umount", "/srv/shelf")
	w.run("virsh", "attach-device", "visitor", "/tmp/reel.xml", "--live")
	lent := w.next(watch.Lent)
	assert.Equal(w, []string{"visitor", string(watch.Plugged)}, []string{lent.Guest, string(lent.Way)})
	for _, key := range []string{"unchecked reel", "holder reel"} {
		assert.Equal(w, "visitor", w.alarm(watch.Alarm, key).Guest)
	}
	w.run("virsh", "destroy", "visitor")
	assert.Equal(w, watch.Home, w.next(watch.Returned).Way)
	for _, key := range []string{"unchecked reel", "holder reel"} {
		w.alarm(watch.Over, key)
	}
	w.whole()
}

// complete holds the history against the day.
func (w *watched) complete() {
	w.Helper()
	var seen []string
	for _, loan := range w.history() {
		require.NotNil(w, loan.Return)
		seen = append(seen, fmt.Sprintf("%s %s, %s", loan.Guest, loan.Way, loan.Return.Way))
	}
	assert.Equal(w, []string{"grading start, home", "visitor plugged in, home", "grading start, home", "grading start, unseen", "grading start, host restarted"}, seen)
	text := w.mustLendkeep("status", "--history")
	w.Log("\n" + text)
	assert.Equal(w, 5, strings.Count(text, "reel ("+machine.Reel+")"))
	assert.Contains(w, text, "plugged into the running guest")
	assert.Contains(w, text, "the guard has refused to start grading")
}

// A guest that was cut off leaves the shelf as a filesystem that was not
// unmounted. It comes home and is not mounted; who waits for it is held, and it
// is told where it can be read.
func TestDirtyShelf(t *testing.T) {
	h := guarded(t)
	// The log is cut short by the host, in place of a guest that was cut off. What
	// was on the shelf before is on the drive.
	h.shell("sync -f /srv/shelf && date > /srv/shelf/late && xfs_io -x -c 'shutdown -f' /srv/shelf && umount /srv/shelf")
	address := h.controllers()[machine.Reel]
	h.run("virsh", "start", "grading")
	h.run("virsh", "destroy", "grading")
	h.returned(machine.Reel)
	h.until(30*time.Second, "the guard has looked after it", func() bool {
		return strings.Contains(h.try("bash", "-c", "cat /var/lib/lendkeep/notes/*").Stdout, "not left clean")
	})
	assert.Equal(t, "nvme", h.driver(address))
	assert.NotZero(t, h.try("findmnt", "/srv/shelf").Exit)
	refused := h.try("virsh", "start", "catalogue")
	assert.NotZero(t, refused.Exit)
	assert.Contains(t, refused.Stderr, "nothing is mounted there")

	h.mustLendkeep("watch", "--once")
	text := h.mustLendkeep("status", "--history")
	t.Log("\n" + text)
	assert.Contains(t, text, "not left clean")
	assert.Contains(t, h.lendkeep("status", "workshop").Stdout, "not left clean")
	h.shell("mount -o noatime " + h.namespace(machine.Reel) + "p2 /srv/shelf") // by hand, which replays its log
	h.whole()
}
