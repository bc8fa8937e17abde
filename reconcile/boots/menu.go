package boots

import (
	"path"
	"regexp"
	"strings"
)

// Entry is one that a loader offers.
type Entry struct {
	ID      string // by which a default names it
	Title   string
	On      string // UUID or label of the filesystem that its paths are on; empty: that of the loader's own file
	Kernel  string // path on that filesystem
	Initrds []string
	Line    string // the kernel's command line
	Gap     string // why that is not all, or why it starts no kernel that is known
}

// Menu is what a loader's file offers.
type Menu struct {
	Entries []Entry
	First   int    // of Entries: what it starts when nobody chooses; -1: not known
	Listed  bool   // the entries of the Boot Loader Specification are offered too
	Default string // what names the first of those; empty: not known
	Sources bool   // custom.cfg and user.cfg beside it are read too, where they are
}

// NoFirst makes a menu one of which is not known what it starts.
func (m Menu) NoFirst() Menu {
	m.First, m.Default = -1, ""
	return m
}

// linesMost and textMost bound a text that is read, in lines and bytes, entriesMost what
// a loader's file offers.
const (
	linesMost   = 5000
	textMost    = 512 << 10
	entriesMost = 200
)

// counted is what systemd puts behind a name while it counts tries (Automatic Boot
// Assessment).
var counted = regexp.MustCompile(`\+[0-9]+(-[0-9]+)?$`)

// ReadEntry reads an entry of the Boot Loader Specification (version 1, "Type #1"),
// by the name of its file. GRUB replaces variables in it, by its environment.
func ReadEntry(name, text string, env map[string]string) Entry {
	e := Entry{ID: counted.ReplaceAllString(strings.TrimSuffix(path.Base(name), ".conf"), "")}
	var options []string
	for line := range strings.Lines(certain(text)) {
		key, value, _ := strings.Cut(strings.TrimSpace(strings.ReplaceAll(line, "\t", " ")), " ")
		value = strings.TrimSpace(value)
		switch key {
		case "title":
			e.Title = value
		case "linux":
			e.Kernel = value
		case "initrd":
			e.Initrds = append(e.Initrds, strings.Fields(replaced(value, env))...)
		case "options":
			options = append(options, replaced(value, env))
		case "efi", "uki", "uki-url":
			e.Gap = "it starts another EFI program"
		}
	}
	e.Line = strings.Join(options, " ")
	if e.Kernel == "" && e.Gap == "" {
		e.Gap = noKernel
	}
	return e
}

var variable = regexp.MustCompile(`\$\{?[A-Za-z0-9_]+\}?`)

// replaced puts in the values of GRUB's environment; what has none is empty.
func replaced(text string, env map[string]string) string {
	return variable.ReplaceAllStringFunc(text, func(name string) string {
		return certain(env[strings.Trim(name, "${}")])
	})
}

// ReadEnv reads GRUB's environment block (GRUB manual, "Environment block").
func ReadEnv(text string) map[string]string {
	env := map[string]string{}
	for line := range strings.Lines(text) {
		name, value, ok := strings.Cut(strings.TrimRight(line, "\n"), "=")
		if ok && !strings.HasPrefix(name, "#") {
			env[name] = strings.ReplaceAll(value, `\`, "")
		}
	}
	return env
}

// ReadExtlinux reads the file of extlinux and U-Boot (The Syslinux Project,
// "Config"; U-Boot doc/README.pxe).
func ReadExtlinux(text string) Menu {
	m := Menu{First: -1}
	if len(text) > textMost {
		return m
	}
	first := ""
	for line := range strings.Lines(certain(text)) {
		key, value, _ := strings.Cut(strings.TrimSpace(strings.ReplaceAll(line, "\t", " ")), " ")
		key, value = strings.ToLower(key), strings.TrimSpace(value)
		if key == "label" {
			if len(m.Entries) == entriesMost {
				return m.NoFirst()
			}
			m.Entries = append(m.Entries, Entry{ID: value})
			continue
		}
		if key == "default" || key == "ontimeout" {
			first = value
		}
		if len(m.Entries) > 0 {
			m.Entries[len(m.Entries)-1].extlinux(key, value)
		}
	}
	for i := range m.Entries {
		if m.Entries[i].ID == first {
			m.First = i
		}
		if m.Entries[i].Kernel == "" && m.Entries[i].Gap == "" {
			m.Entries[i].Gap = noKernel
		}
	}
	return m
}

// extlinux takes one line that follows a label.
func (e *Entry) extlinux(key, value string) {
	switch key {
	case "linux", "kernel":
		e.Kernel = value
	case "initrd":
		e.Initrds = append(e.Initrds, strings.Split(value, ",")...)
	case "append":
		e.Line = value
		for _, word := range lineWords(value) {
			if files, ok := strings.CutPrefix(word, "initrd="); ok {
				e.Initrds = append(e.Initrds, strings.Split(files, ",")...)
			}
		}
	case "localboot":
		e.Gap = otherThing
	case "include", "config", "com32", "fit":
		e.Gap = "what it starts is not known"
	}
}

// Foreign tells whether it starts something that is no Linux kernel.
func (e Entry) Foreign() bool { return e.Gap == noKernel || e.Gap == otherThing }
