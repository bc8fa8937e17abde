package page_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/page"
	"lendkeep/spec"
)

// drawnDrive gives a host's only NVMe drive as it is drawn.
func drawnDrive(t require.TestingT, b *invented.Builder) page.Drive {
	p := page.Draw(given(t, &b.Survey, placed(invented.Layout([]spec.Controller{invented.Controller("reel", "RL-4410-0073")}, nil)), ""))
	f := p.Nodes[0].Branches[0].Function
	require.Equal(t, "reel", f.Name)
	require.Len(t, f.Drives, 1)
	return f.Drives[0]
}

// sized gives the partitions of the first drive their places and sizes, in MiB.
func sized(b *invented.Builder, driveMiB uint64, places ...[2]uint64) {
	b.Block("nvme0n1").SizeBytes = driveMiB << 20
	for i, place := range places {
		part := b.Block(fmt.Sprintf("nvme0n1p%d", i+1))
		part.Partition.StartBytes, part.SizeBytes = place[0]<<20, place[1]<<20
	}
}

func bars(d page.Drive) string {
	text := ""
	for _, s := range d.Bar {
		text += fmt.Sprintf("%d %s %s+%s; ", s.Number, s.Fill, s.X, s.W)
	}
	if d.Log {
		text += "log"
	}
	return text
}

func TestBars(t *testing.T) {
	for name, c := range map[string]struct {
		parts []string
		make  func(*invented.Builder)
		want  string
	}{
		"to scale, mounted": {[]string{"start", "shelf"}, func(b *invented.Builder) {
			sized(b, 1000, [2]uint64{0, 250}, [2]uint64{250, 750})
			b.Block("nvme0n1p1").Partition.StartBytes = 1 << 20
			b.Mount("nvme0n1p2", "/srv/shelf")
		}, "1 unused 0%+25%; 2 host 25%+75%; "},
		"free between and behind": {[]string{"start", "shelf"}, func(b *invented.Builder) {
			sized(b, 1000, [2]uint64{1, 249}, [2]uint64{500, 250})
		}, "1 unused 0%+24.92%; 0 free 24.92%+25.02%; 2 unused 49.94%+25.03%; 0 free 74.97%+25.03%; "},
		"out of sequence": {[]string{"b", "a"}, func(b *invented.Builder) {
			sized(b, 1000, [2]uint64{500, 500}, [2]uint64{1, 499})
		}, "2 unused 0%+49.94%; 1 unused 49.94%+50.06%; "},
		"one too small to be seen": {[]string{"start", "shelf"}, func(b *invented.Builder) {
			sized(b, 1<<20, [2]uint64{1, 64}, [2]uint64{65, 1<<20 - 65})
		}, "1 unused 0%+25.23%; 2 unused 25.23%+74.77%; log"},
		"a guest's alone": {[]string{"start"}, func(b *invented.Builder) {
			sized(b, 100, [2]uint64{1, 99})
			b.Guest("g", "")
			b.Device("g", "<disk type='block' device='disk'><source dev='/dev/nvme0n1p1'/><target dev='vdz' bus='virtio'/></disk>")
		}, "0 free 0%+1%; 1 guest 1%+99%; "},
		"sizes not known": {[]string{"start", "shelf"}, func(b *invented.Builder) {}, ""},
		"no partitions":   {nil, func(b *invented.Builder) {}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			b.NVMe("RL-4410-0073", c.parts...)
			c.make(b)
			assert.Equal(t, c.want, bars(drawnDrive(t, b)))
		})
	}
}

// Whatever a table claims, the segments of a bar lie side by side and fill it, each
// partition has one, and each can be seen.
func TestBarsOfAnyTable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := invented.NewBuilder()
		parts := make([]string, rapid.IntRange(1, 128).Draw(t, "partitions"))
		b.NVMe("RL-4410-0073", parts...)
		size := rapid.Uint64()
		b.Block("nvme0n1").SizeBytes = size.Draw(t, "drive")
		for i := range parts {
			part := b.Block(fmt.Sprintf("nvme0n1p%d", i+1))
			part.SizeBytes, part.Partition.StartBytes = max(1, size.Draw(t, "size")), size.Draw(t, "start")
		}
		drawn := drawnDrive(t, b)
		end, seen := page.Percent(0), map[int]int{}
		least := min(1_00/4, 50_00/page.Percent(len(drawn.Bar)))
		for _, s := range drawn.Bar {
			assert.Equal(t, end, s.X)
			assert.GreaterOrEqual(t, s.W, least, "partition %d is not seen", s.Number)
			end += s.W
			seen[s.Number]++
		}
		assert.Equal(t, page.Percent(100_00), end)
		for i := range parts {
			assert.Equal(t, 1, seen[i+1])
		}
	})
}

func TestPercent(t *testing.T) {
	for given, want := range map[page.Percent]string{0: "0%", 1: "0.01%", 10: "0.1%", 1050: "10.5%", 1005: "10.05%", 100_00: "100%", 99_99: "99.99%"} {
		assert.Equal(t, want, given.String())
	}
}

// What uses a drive is told at the partition that it uses, what is built on it and
// whose disks are on it too.
func TestUsersAtTheirPartitions(t *testing.T) {
	b := invented.NewBuilder()
	b.NVMe("RL-4410-0073", "start", "shelf", "deep")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	b.Mount(b.Mapper("vg0-home", "nvme0n1p3"), "/home")
	drawn := drawnDrive(t, b)
	var told []string
	for _, part := range drawn.Parts {
		text := part.Text
		for _, m := range part.Users {
			text += "; " + m.Text + " " + m.To
		}
		told = append(told, text)
	}
	assert.Equal(t, []string{"start (xfs)", "shelf (xfs); mount /srv/shelf ; guest catalogue (off) guest-catalogue", "deep (xfs) > LV vg0/home (ext4); mount /home on LV vg0/home "}, told)
	assert.Empty(t, drawn.Users)
}

// What is out of sight is told by what is recorded of it, and who has it.
func TestLent(t *testing.T) {
	b, layout := larch()
	b.Survey.Libvirt.Guests = b.Survey.Libvirt.Guests[:1]
	b.Survey.Mounts, b.Survey.Blocks = b.Survey.Mounts[:1], b.Survey.Blocks[:1]
	f := b.Function(facts.Address{Bus: 1})
	f.NVMe, f.Driver = nil, "vfio-pci"
	b.Run("grading")
	drawn := whole(t, given(t, &b.Survey, layout, "")).Nodes[0].Branches[0].Function
	assert.Equal(t, page.Where{Place: facts.Lent, Words: "lent to", With: page.Mention{Text: "grading", To: "guest-grading"}}, drawn.Where)
	assert.Equal(t, "RL-4410-0073", drawn.What)
	assert.Contains(t, drawn.Drives[0].Holds, "out of the host's sight")
}

func TestLinks(t *testing.T) {
	for name, c := range map[string]struct {
		link, port facts.Link
		want       *page.Link
	}{
		"as fast and wide as it can be": {facts.Link{SpeedMTps: 8000, Width: 4, MaxSpeedMTps: 8000, MaxWidth: 4}, facts.Link{}, &page.Link{Told: "8 GT/s x4 of 8 x4", Width: 4, MaxWidth: 4}},
		"narrower": {facts.Link{SpeedMTps: 8000, Width: 2, MaxSpeedMTps: 8000, MaxWidth: 4}, facts.Link{MaxWidth: 8, Width: 2},
			&page.Link{Told: "8 GT/s x2 of 8 x4", Width: 2, MaxWidth: 4, Below: "narrower than it could be, by 2 lanes"}},
		"by the port": {facts.Link{SpeedMTps: 8000, Width: 1, MaxSpeedMTps: 16000, MaxWidth: 4}, facts.Link{MaxWidth: 1, Width: 1},
			&page.Link{Told: "8 GT/s x1 of 16 x4", Width: 1, MaxWidth: 4, Below: "narrower than it could be, by 3 lanes: 0000:00:01.0 has 1, slower than it could be, as an idle link may be"}},
		"not known": {facts.Link{MaxSpeedMTps: 8000, MaxWidth: 4}, facts.Link{}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			at := b.NVMe("RL-4410-0073")
			hung(&b.Survey, "00:01.0", "", 1, -1)
			port := facts.Address{Slot: 1}
			b.Function(port).Link = &c.port
			b.Function(at).Link, b.Function(at).Upstream = &c.link, &port
			p := page.Draw(given(t, &b.Survey, placed(invented.Layout(nil, nil)), ""))
			assert.Equal(t, c.want, p.Nodes[0].Branches[0].Inside[0].Function.Link)
			assert.Nil(t, p.Nodes[0].Branches[0].Function.Link, "the port's is the same link, seen from above")
		})
	}
}

// A switch has its own link above its upper port, and those below its lower ones are
// drawn at what is below them.
func TestLinksOfASwitch(t *testing.T) {
	b := invented.NewBuilder()
	hung(&b.Survey, "00:01.0", "", 1, -1)
	hung(&b.Survey, "01:00.0", "00:01.0", 2, -1)
	hung(&b.Survey, "02:00.0", "01:00.0", 3, -1)
	hung(&b.Survey, "03:00.0", "02:00.0", 4, -1)
	for i := range b.Survey.Functions {
		b.Survey.Functions[i].Link = &facts.Link{SpeedMTps: 8000, Width: 4, MaxSpeedMTps: 8000, MaxWidth: 4}
	}
	b.Survey.Functions[3].Class, b.Survey.Functions[3].HeaderType = facts.ClassNVMe, 0
	place := page.Draw(given(t, &b.Survey, placed(invented.Layout(nil, nil)), "")).Nodes[0].Branches[0]
	var drawn []bool
	for {
		drawn = append(drawn, place.Function.Link != nil)
		if len(place.Inside) == 0 {
			break
		}
		place = place.Inside[0]
	}
	assert.Equal(t, []bool{false, true, false, true}, drawn)
}
