package dump

import (
	"cmp"
	"encoding/json"
	"errors"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/strict"
)

// answer is one file of a folder of answers: guests/NAME.live.xml.
type answer struct{ folder, name, end string }

// keep keeps an answer that was given. Some files say something by being there.
func (s *Seen) keep(folder, name, end, text string, given bool) {
	if !given {
		return
	}
	if s.kept == nil {
		s.kept = map[answer]string{}
	}
	s.kept[answer{folder, name, end}] = text
}

// gapsFile has what libvirt did not say: without it a missing answer would pass for
// one of which there was none to give.
const gapsFile = "gaps.json"

// Files gives what libvirt said as a folder of files, by name, which FromFiles reads.
// What no file can be named after is a gap there.
func (s *Seen) Files() map[string]string {
	files := map[string]string{"uri": s.URI + "\n"}
	if s.Version != "" {
		files["version"] = s.Version + "\n"
	}
	gaps := slices.Clone(s.Gaps)
	for of, text := range s.kept {
		if file := path.Join(of.folder, of.name+of.end); of.named() {
			files[file] = text
		} else {
			gaps = append(gaps, facts.Gap{Fact: strings.TrimSuffix(of.folder, "s") + " " + of.name, Path: s.URI, Reason: "no file can have its name"})
		}
	}
	if len(gaps) > 0 {
		slices.SortFunc(gaps, func(a, b facts.Gap) int {
			return cmp.Or(cmp.Compare(a.Fact, b.Fact), cmp.Compare(a.Path, b.Path), cmp.Compare(a.Reason, b.Reason))
		})
		content, err := json.Marshal(slices.Compact(gaps))
		if err != nil {
			panic(err) // gaps are plain values
		}
		files[gapsFile] = string(content) + "\n"
	}
	return files
}

// named tells whether a file can be called so in a folder and in a text archive
// (testdata/hosts/README.md), and is not taken for another's.
func (a answer) named() bool {
	return !strings.ContainsAny(a.name, "/\n\r") && !strings.Contains(a.name, " -> ") && !strings.HasSuffix(a.name, ".live")
}

// gaps reads what libvirt did not say.
func (f *files) gaps() {
	if !f.exists(gapsFile) {
		return
	}
	text, ok := f.read(gapsFile)
	if !ok {
		return
	}
	var list []facts.Gap
	err := strict.ReadWhole([]byte(text), maxFile, &list)
	if err == nil && len(list) == 0 {
		err = errors.New("it has none")
	}
	if err != nil {
		f.miss(gapsFile, err)
		return
	}
	f.Gaps = append(f.Gaps, list...)
}
