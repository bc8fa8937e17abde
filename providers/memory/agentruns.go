package memory

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/speed"
)

// programs are what is in every guest of the kind that it is.
var programs = map[string]func(*talking, *started, []string){
	"mkdir":   func(a *talking, p *started, given []string) { a.make(p, given[len(given)-1]) },
	"rm":      func(a *talking, _ *started, given []string) { a.remove(given[len(given)-1]) },
	"chmod":   func(*talking, *started, []string) {},
	"cmd.exe": (*talking).shell,
}

// shell is Windows' own, with the words that are said to it.
func (a *talking) shell(p *started, given []string) {
	switch last := given[len(given)-1]; {
	case slices.Contains(given, "echo %SystemRoot%"):
		p.out = "C:\\Windows\r\n"
	case slices.Contains(given, "mkdir"):
		a.make(p, last)
	case slices.Contains(given, "rd"):
		a.remove(last)
	}
}

func (a *talking) make(p *started, path string) {
	if _, there := a.files[path]; there {
		p.said, p.code = path+": it is there already", 1
		return
	}
	a.files[path] = nil
}

func (a *talking) remove(path string) {
	for name := range a.files {
		if name == path || strings.HasPrefix(name, path) && strings.ContainsAny(name[len(path):len(path)+1], `/\`) {
			delete(a.files, name)
		}
	}
}

// measure is the program that measures: it gives the result that is kept for the
// drive as the guest has it now.
func (a *talking) measure(p *started, given []string) {
	kept := a.Virtual
	if a.lent {
		kept = a.Lent
	}
	content, err := labelled(kept, after(given, "--label"))
	switch {
	case a.FailsWith != "":
		p.said, p.code = a.FailsWith, 1
	case kept == nil:
		p.said, p.code = "no result is kept of this guest's drive as it is now ("+AgentsFile+")", 1
	case err != nil:
		p.said, p.code = err.Error(), 1
	default:
		a.files[after(given, "--json")] = content
		a.files[after(given, "--progress")] = []byte("0 30 sequential read\n12 30 random read\n")
	}
}

func labelled(kept []byte, label string) ([]byte, error) {
	r, err := speed.Decode(kept)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", AgentsFile, err)
	}
	r.Label = label
	return r.Encode()
}

// after gives what follows a word.
func after(given []string, word string) string {
	if at := slices.Index(given, word); at >= 0 && at+1 < len(given) {
		return given[at+1]
	}
	return ""
}
