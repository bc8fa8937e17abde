package boots

import (
	"slices"
	"strconv"
	"strings"
)

// ReadGrub reads a grub.cfg, by what GRUB's environment block has. It follows none
// of its conditions: what depends on one is taken where all ways agree, and is not
// known where they do not (GRUB manual, "Shell-like scripting").
func ReadGrub(text string, env map[string]string) Menu {
	if len(text) > textMost || strings.Count(text, "\n") > linesMost {
		return Menu{}.NoFirst()
	}
	if !strings.Contains(text, "load_env") {
		env = nil
	}
	g := &grub{env: env, sets: map[string][]string{}}
	for _, words := range grubCommands(text, g.known) {
		g.assign(words)
	}
	g.level = []*grubLevel{{}}
	for _, words := range grubCommands(text, g.value) {
		g.command(words)
	}
	g.menu.First = g.first()
	return g.menu
}

// grub reads one file.
type grub struct {
	env   map[string]string
	sets  map[string][]string // each value that the file gives a variable
	menu  Menu
	at    [][]grubName // of each entry: how a default may name it, level by level
	level []*grubLevel
	depth int    // of conditions and loops
	on    string // filesystem that paths are on, outside of entries
}

// grubLevel is a block that is open.
type grubLevel struct {
	kind      string // first word of what opened it; empty: the file itself
	name      grubName
	items     int  // entries and submenus in it so far
	uncertain bool // whether all of those are offered depends on conditions
	entry     int  // of menu.Entries, of a menuentry
	depth     int  // of conditions and loops that it stands in
}

// grubName is how a default may name an entry or submenu.
type grubName struct{ number, id, title string }

func (n grubName) is(text string) bool { return text == n.number || text == n.id || text == n.title }

// Variables that GRUB's own scripts keep in the environment block are empty where it
// lacks them (grub-mkconfig's 00_header; Fedora's 10_linux and tuned).
var kept = []string{"next_entry", "saved_entry", "prev_saved_entry", "kernelopts", "boot_success", "boot_indeterminate", "tuned_params", "tuned_initrd"}

// Variables that GRUB sets itself.
var ofGrub = []string{"prefix", "cmdpath", "grub_cpu", "grub_platform", "config_directory", "config_file"}

// known gives what a variable has before anything is read of the file.
func (g *grub) known(name string) string {
	if value, ok := g.env[name]; ok || slices.Contains(kept, name) {
		return value
	}
	return string(unsure)
}

// value gives what a variable has, wherever it is used.
func (g *grub) value(name string) string {
	if name == "root" {
		return name
	}
	found := ""
	for _, value := range append([]string{g.env[name]}, g.sets[name]...) {
		if value != "" && found != "" && value != found || slices.Contains(ofGrub, name) {
			return string(unsure)
		}
		if value != "" {
			found = value
		}
	}
	return found
}

// assign notes a value: set name=value, or name=value.
func (g *grub) assign(words []string) {
	if words[0] == "set" && len(words) > 1 {
		words = words[1:]
	}
	if name, value, ok := strings.Cut(words[0], "="); ok && len(words) == 1 && !slices.Contains(g.sets[name], value) && len(g.sets[name]) < 64 {
		g.sets[name] = append(g.sets[name], value)
	}
}

// command takes one.
func (g *grub) command(words []string) {
	switch words[0] {
	case "if", "while", "until", "for":
		g.depth++
	case "fi", "done":
		g.depth--
	}
	top := g.level[len(g.level)-1]
	switch {
	case words[0] == "}":
		if len(g.level) > 1 {
			g.level = g.level[:len(g.level)-1]
		}
	case words[len(words)-1] == "{":
		g.open(top, words[:len(words)-1])
	case top.kind == "menuentry":
		g.menu.Entries[top.entry].grub(words, g.depth > top.depth)
	case top.kind != "" && top.kind != "submenu": // a function: its commands are not run here
	case words[0] == "blscfg":
		g.menu.Listed = true
	case words[0] == "search":
		g.on, _ = searched(words)
	case words[0] == "source" || words[0] == "configfile" || words[0] == ".":
		if last := words[len(words)-1]; strings.HasSuffix(last, "/custom.cfg") || strings.HasSuffix(last, "/user.cfg") {
			g.menu.Sources = true
		} else {
			g.sets["default"] = append(g.sets["default"], string(unsure))
		}
	}
}

// open begins a block.
func (g *grub) open(top *grubLevel, words []string) {
	next := &grubLevel{depth: g.depth}
	if len(words) > 0 {
		next.kind = words[0]
	}
	if next.kind == "menuentry" && len(g.menu.Entries) == entriesMost {
		next.kind = "more"
		g.sets["default"] = append(g.sets["default"], string(unsure))
	}
	if next.kind == "menuentry" || next.kind == "submenu" {
		top.uncertain = top.uncertain || g.depth > 0
		next.name = grubTitle(words)
		if next.name.number = strconv.Itoa(top.items); top.uncertain {
			next.name.number = string(unsure)
		}
		top.items++
	}
	g.level = append(g.level, next)
	if next.kind == "menuentry" {
		next.entry = len(g.menu.Entries)
		g.menu.Entries = append(g.menu.Entries, Entry{ID: certain(next.name.id), Title: certain(next.name.title), On: g.on, Gap: noKernel})
		var path []grubName
		for _, l := range g.level[1:] {
			path = append(path, l.name)
		}
		g.at = append(g.at, path)
	}
}

// grubTitle reads what follows menuentry or submenu.
func grubTitle(words []string) grubName {
	n := grubName{id: string(unsure), title: string(unsure)}
	for i := 1; i < len(words); i++ {
		switch word := words[i]; {
		case word == "--id" && i+1 < len(words):
			i++
			n.id = words[i]
		case word == "--class" || word == "--users" || word == "--hotkey" || word == "--source":
			i++
		case !strings.HasPrefix(word, "--") && n.title == string(unsure):
			n.title = word
		}
	}
	return n
}

// What is wrong with an entry until a kernel is named, and with one that starts none.
const (
	noKernel   = "it names no kernel"
	otherThing = "it starts something else than a Linux kernel"
)

// grub takes a command within an entry, which may depend on a condition in there.
func (e *Entry) grub(words []string, depends bool) {
	if depends && (strings.HasPrefix(words[0], "linux") || strings.HasPrefix(words[0], "initrd")) {
		e.Gap = "what it starts depends on a condition"
		return
	}
	for _, word := range words {
		if strings.ContainsRune(word, unsure) && (strings.HasPrefix(words[0], "linux") || strings.HasPrefix(words[0], "initrd")) {
			e.Gap = "it has variables of which the value is not known"
			return
		}
	}
	switch words[0] {
	case "linux", "linux16", "linuxefi":
		if len(words) < 2 || e.Kernel != "" {
			e.Gap = "it names several kernels, or none"
			return
		}
		e.Kernel, e.Line = e.onRoot(words[1]), strings.Join(words[2:], " ")
		if e.Gap == noKernel {
			e.Gap = ""
		}
	case "initrd", "initrd16", "initrdefi":
		for _, word := range words[1:] {
			e.Initrds = append(e.Initrds, e.onRoot(word))
		}
	case "search":
		if on, known := searched(words); known {
			e.On = on
		} else {
			e.Gap = "where its files are is not told by a filesystem's id"
		}
	case "multiboot", "multiboot2", "module", "module2", "configfile", "source", "uki": // maybe a Linux below
		e.Gap = "what it starts is not known"
	case "chainloader":
		e.Gap = otherThing
	}
}

// onRoot gives a path on the filesystem that was searched for.
func (e *Entry) onRoot(name string) string {
	name = strings.TrimPrefix(name, "(root)")
	if strings.HasPrefix(name, "(") {
		e.Gap = "it names the disk of its files by a number"
	}
	return name
}

// searched reads a search command that sets the root: the id or label comes last.
func searched(words []string) (string, bool) {
	last := words[len(words)-1]
	for _, word := range words[:len(words)-1] {
		switch word {
		case "--fs-uuid", "-u", "--label", "-l":
			return last, !strings.ContainsRune(last, unsure)
		}
	}
	return "", false
}

// first gives the entry that the default names: by its number, id or title, through
// submenus (GRUB manual, "default").
func (g *grub) first() int {
	values := slices.DeleteFunc(slices.Compact(g.sets["default"]), func(value string) bool { return value == "" })
	named := ""
	switch once := g.env["next_entry"]; {
	case once != "" && slices.Contains(values, once): // for the next start only
		named = once
	case len(values) > 1 || len(values) == 1 && strings.ContainsRune(values[0], unsure):
		return -1
	case len(values) == 1:
		named = values[0]
	}
	g.menu.Default = named
	if named == "" {
		named = "0"
	}
	parts := strings.Split(named, ">")
	found := -1
	for i, path := range g.at {
		if len(path) != len(parts) || !slices.EqualFunc(path, parts, grubName.is) {
			continue
		}
		if found >= 0 {
			return -1
		}
		found = i
	}
	return found
}
