package sysfs

import (
	"errors"
	"io/fs"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// console is on what the host shows its console: read once, when something is met
// that it may be on.
type console struct {
	frames   bool                   // virtual consoles are on frame buffers
	text     bool                   // they are in VGA's text mode
	lines    []string               // serial lines and the like
	firmware map[facts.Address]bool // functions whose memory the firmware's frame buffer is in
	homeless bool                   // there is such a frame buffer, and nobody knows whose memory it is in
	gaps     []facts.Gap
}

// vtClass has a folder for each driver of virtual consoles: its name, and in bind
// whether consoles are on it (Linux Documentation/driver-api/console.rst).
const vtClass = "sys/class/vtconsole"

// consoles reads it; what cannot be read counts as one.
func (s *survey) consoles() *console {
	if s.console != nil {
		return s.console
	}
	c := &console{firmware: map[facts.Address]bool{}}
	s.console = c
	p := place{&s.reader, vtClass, &c.gaps}
	for _, name := range p.names(facts.GapBelow) {
		bound, kind := p.text(facts.GapBelow, name+"/bind"), p.text(facts.GapBelow, name+"/name")
		c.frames = c.frames || bound != "0" && !strings.Contains(kind, "VGA") && !strings.Contains(kind, "dummy")
		c.text = c.text || bound != "0" && strings.Contains(kind, "VGA")
	}
	p.dir = "sys/class/tty/console"
	active, _ := p.textIfAny(facts.GapBelow, "active")
	c.lines = strings.Fields(active)
	s.firmwareFrames(c)
	if len(c.gaps) > 0 {
		c.frames, c.text = true, true
	}
	return c
}

// firmwareNames are what frame buffers of the firmware are called in /proc/iomem
// (Linux drivers/firmware/sysfb.c, drivers/video/fbdev: BOOTFB, efifb, vesafb, simplefb).
var firmwareNames = []string{"BOOTFB", "efifb", "vesafb", "simplefb", "simple-framebuffer.0", "efi-framebuffer.0", "vesa-framebuffer.0"}

// firmwareFrames finds whose memory the firmware's frame buffer is in, as long as a
// driver shows it. It hangs on no function, and none needs a driver for it.
func (s *survey) firmwareFrames(c *console) {
	p := place{&s.reader, "sys/class/graphics", &c.gaps}
	there := false
	for _, name := range p.names(facts.GapBelow) {
		to, err := p.target(p.dir + "/" + name)
		there = there || err == nil && strings.HasPrefix(name, "fb") && name != "fbcon" && facts.NearestFunction(to) == nil
	}
	if !there {
		return
	}
	p.dir = "proc"
	content, err := s.read("proc/iomem")
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		p.gap(facts.GapBelow, "iomem", err)
	}
	var above []string // names of what a line is in, by its depth
	for line := range strings.Lines(string(content)) {
		place, name, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " : ")
		depth := (len(place) - len(strings.TrimLeft(place, " "))) / 2
		above = append(above[:min(depth, len(above))], name)
		if slices.Contains(firmwareNames, name) {
			if at := facts.NearestFunction(path.Join(above...)); at != nil {
				c.firmware[*at] = true
			}
		}
	}
	c.homeless = len(c.firmware) == 0
}

// shows tells what a device below a function shows of the host's console.
func (c *console) shows(p place, class string) string {
	name := path.Base(p.dir)
	switch class {
	case "graphics":
		if c.frames {
			return facts.ShowsConsole
		}
	case "tty":
		if slices.Contains(c.lines, name) {
			return facts.ShowsConsole
		}
	case "drm": // Linux drivers/gpu/drm/drm_sysfs.c
		status, there := p.textIfAny(facts.GapBelow, "status")
		enabled, _ := p.textIfAny(facts.GapBelow, "enabled")
		if there && status != "disconnected" && enabled != "disabled" {
			return facts.ShowsPicture
		}
	}
	return ""
}

// boot notes that a console is on a function without hanging on it: text mode and
// the firmware's frame buffer are on the card that the machine started with.
func (w *belowWalk) boot(s *survey, f *facts.Function) {
	if f.Class>>16 != 3 {
		return
	}
	started, there := w.textIfAny(facts.GapBelow, "boot_vga")
	first := there && started != "0"
	c := s.consoles()
	*w.gaps = append(*w.gaps, c.gaps...)
	switch {
	case c.text && first:
		w.list = append(w.list, facts.Attached{Name: "text mode", Class: "vtconsole", Shows: facts.ShowsConsole})
	case c.frames && (c.firmware[f.Address] || c.homeless && first):
		w.list = append(w.list, facts.Attached{Name: "the firmware's frame buffer", Class: "vtconsole", Shows: facts.ShowsConsole})
	}
}
