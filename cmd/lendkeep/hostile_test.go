package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/cmd/lendkeep/screen"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/twin"
)

// evil ends each hostile text: a line end that would begin a line of its own,
// escapes in both their forms, what turns the direction of writing.
const evil = "\nFORGED\x1b[2J\u009b31m\u202e\x7f\r\t\u2028"

// words are the fields of a survey that hold one of a few words, and definitions:
// XML allows no such characters, and what is read of one must agree with it.
var words = []string{"Kept", "Live", "State", "Condition", "Kind", "Usage", "Format", "Firmware", "Architecture", "Machine", "Device", "GuestType",
	"ResetMethods", "Driver", "Root", "Path", "Named", "Resolved", "Source", "Options"}

// poison appends evil to every text of a value, at whatever depth, but for those
// of a kind of their own (addresses, verdicts) and for fields that are left out.
func poison(v reflect.Value, without []string, seen map[uintptr]bool) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() && !seen[v.Pointer()] {
			seen[v.Pointer()] = true
			poison(v.Elem(), without, seen)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Field(i).CanSet() && !slices.Contains(without, v.Type().Field(i).Name) {
				poison(v.Field(i), without, seen)
			}
		}
	case reflect.Slice:
		if v.Len() > 0 && !seen[v.Pointer()] {
			seen[v.Pointer()] = true
			for i := range v.Len() {
				poison(v.Index(i), without, seen)
			}
		}
	case reflect.String:
		if v.Type() == reflect.TypeFor[string]() && v.String() != "" {
			v.SetString(v.String() + evil)
		}
	}
}

// screens runs a command and gives what it wrote to both its outputs.
func screens(arguments ...string) (out, told string) {
	var first, second bytes.Buffer
	run(context.Background(), append(arguments, "--log-level", "debug"), strings.NewReader(""), &first, &second)
	return first.String(), second.String()
}

func holdsNothingThatActs(t *testing.T, what, screen string) {
	t.Helper()
	for line := range strings.Lines(screen) {
		assert.False(t, strings.HasPrefix(strings.TrimSpace(line), "FORGED"), "%s: a line was forged: %q", what, line)
		for _, r := range strings.TrimSuffix(line, "\n") {
			if r != '\t' && unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp) {
				t.Errorf("%s: %U in %q", what, r, line)
				break
			}
		}
	}
}

// hostileHost is a host every text of whose survey is hostile, in a folder, and a
// layout that lends its controller.
func hostileHost(t *testing.T, without ...string) (folder, layout string) {
	b := invented.NewBuilder()
	r := b.Identity("reel", b.NVMe("RL-4410-0073", "start", "shelf"))
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Guest("grading", "/srv/images/grading.qcow2", r)
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	b.Run("catalogue")
	if !slices.Contains(without, "Name") { // else an order is wanted
		b.Survey.Gaps = append(b.Survey.Gaps, facts.Gap{Fact: "f", Path: "/p", Reason: "r"})
	}
	poison(reflect.ValueOf(&b.Survey), without, map[uintptr]bool{})
	folder, layout = t.TempDir(), t.TempDir()
	var content bytes.Buffer
	require.NoError(t, b.Survey.Encode(&content))
	holdsNothingThatActs(t, "the survey file", content.String())
	require.NoError(t, os.WriteFile(filepath.Join(folder, "survey.json"), content.Bytes(), 0o600))
	serial := "RL-4410-0073"
	if !slices.Contains(without, "Serial") {
		serial += evil
	}
	quoted, err := json.Marshal(serial)
	require.NoError(t, err)
	text := `host "larch" {}
controller "reel" {
  nvme {
    serial = ` + string(quoted) + `
  }
  drive {
    partition "shelf" {
      size = rest()
    }
  }
  return {
    mount "shelf" {
      at = "/srv/shelf"
    }
  }
}
guest "grading" {
  borrows = [controller.reel]
}
guest "catalogue" {}
shift "day" {
  guests = [guest.grading]
}
shift "night" {
  guests = [guest.catalogue]
}
`
	require.NoError(t, os.WriteFile(filepath.Join(layout, "larch.hcl"), []byte(text), 0o600))
	return folder, layout
}

// What guests and files say never acts on whoever reads it, on no screen and in
// no log.
func TestHostileTexts(t *testing.T) {
	t.Run("every text", func(t *testing.T) { hostileTexts(t, "Kept", "Live") })
	t.Run("every text that is no word", func(t *testing.T) { hostileTexts(t, words...) })
}

// names are what layouts and surveys meet in.
var names = append([]string{"Name", "Serial", "Target", "ID", "Controller", "Emulator", "Block", "Whole", "Holders"}, words...)

// A whole order, there and back, on a host that says hostile things beside the
// names.
func TestHostileOrder(t *testing.T) {
	folder, layout := hostileHost(t, names...)
	file := filepath.Join(t.TempDir(), "day.order")
	see := func(arguments ...string) {
		out, told := screens(append(arguments, "--stand-in", folder)...)
		holdsNothingThatActs(t, arguments[0], out+told)
	}
	see("plan", layout, "--shift", "day", "--xml", "-o", file)
	see("plan", layout, "--shift", "day", "--xml", "--json")
	see("plan", layout, "--shift", "day", "-o", "-")
	see("draw", layout, "--order", file, "-o", "-")
	sealed, err := openOrder(file)
	require.NoError(t, err)
	holdsNothingThatActs(t, "the order file", string(sealed.File()))
	out, said := screens("rehearse", file, "--survey", filepath.Join(folder, "survey.json"))
	assert.Contains(t, out, "as planned")
	holdsNothingThatActs(t, "rehearse", out+said)
	for _, as := range []string{"--json", "--xml"} {
		out, told := screens("show", file, as)
		assert.Contains(t, out, "start guest grading")
		holdsNothingThatActs(t, "show", out+told)
	}
	survey, err := readSurvey(filepath.Join(folder, "survey.json"))
	require.NoError(t, err)
	var foretold bytes.Buffer
	told := &trial{given: sealed, survey: facts.NewIndex(&survey), machine: twin.Of(survey), out: &text{w: screen.New(&foretold)}}
	told.foretell()
	require.NoError(t, printForetold(told.out, told.report))
	told.differs("the twin says %s", evil)
	told.complete(nil)
	require.NoError(t, printEnd(told.out, told.report))
	holdsNothingThatActs(t, "what a twin lacks", foretold.String())
	see("apply", file, "--approve", sealed.Code(), "--json")
	see("draw", layout, "-o", "-")
	see("status", layout)
	see("status", "--history")
	see("status", "--orders")
	see("status", "--orders", "--json")
	see("survey")
	see("rollback", "--json")
	host, err := os.ReadFile(filepath.Join(folder, "host.json"))
	require.NoError(t, err)
	assert.Contains(t, string(host), "FORGED", "the host was hostile")
}

func hostileTexts(t *testing.T, without ...string) {
	folder, layout := hostileHost(t, without...)
	survey := filepath.Join(folder, "survey.json")
	order := filepath.Join(t.TempDir(), "day.order")
	harmless, _ := larch(t)
	for name, arguments := range map[string][]string{
		"survey":             {"survey", "--stand-in", folder},
		"survey as JSON":     {"survey", "--stand-in", folder, "--json"},
		"the file as JSON":   {"survey", "--stand-in", folder, "-o", "-"},
		"what has changed":   {"survey", "--stand-in", folder, "--since", filepath.Join(harmless, "survey.json")},
		"changes as JSON":    {"survey", "--stand-in", folder, "--since", filepath.Join(harmless, "survey.json"), "--json"},
		"adopt":              {"adopt", "-o", filepath.Join(t.TempDir(), "first"), "--survey", survey},
		"adopted as JSON":    {"adopt", "-o", filepath.Join(t.TempDir(), "first"), "--survey", survey, "--json"},
		"adopt to a path":    {"adopt", "-o", filepath.Join(layout, "larch.hcl", evil), "--survey", survey},
		"check":              {"check", layout, "--survey", survey},
		"check as JSON":      {"check", layout, "--survey", survey, "--json"},
		"plan":               {"plan", layout, "--survey", survey, "--shift", "day", "--xml", "-o", order},
		"status":             {"status", layout, "--stand-in", folder},
		"status as JSON":     {"status", layout, "--stand-in", folder, "--json"},
		"draw":               {"draw", layout, "--survey", survey, "-o", "-"},
		"draw to a path":     {"draw", layout, "--survey", survey, "-o", filepath.Join(layout, "larch.hcl", evil)},
		"the history":        {"status", "--history", "--stand-in", folder},
		"the orders":         {"status", "--orders", "--stand-in", folder},
		"no order as JSON":   {"plan", layout, "--survey", survey, "--shift", "day", "--json"},
		"the log as JSON":    {"check", layout, "--survey", survey, "--log-format", "json"},
		"a path":             {"check", layout + evil, "--survey", survey},
		"a survey's path":    {"check", layout, "--survey", survey + evil},
		"an order's path":    {"apply", order + evil, "--approve", "x"},
		"a code":             {"apply", order, "--approve", evil},
		"a shift":            {"check", layout, "--survey", survey, "--shift", "day" + evil},
		"an unknown command": {"lend" + evil},
		"an unknown flag":    {"check", "--" + evil},
		"an explanation":     {"check", "--explain", "x" + evil},
		"a log level":        {"survey", "--log-level", "x" + evil},
		"an image":           {"shim", "inspect", survey + evil},
	} {
		t.Run(name, func(t *testing.T) {
			out, told := screens(arguments...)
			assert.NotEmpty(t, out+told)
			holdsNothingThatActs(t, name, out+told)
			if strings.HasSuffix(name, "as JSON") && out != "" {
				assert.True(t, json.Valid([]byte(out)), out)
			}
		})
	}
}

// A layout that is written of a hostile host holds nothing that acts, either.
func TestHostileAdopted(t *testing.T) {
	folder, _ := hostileHost(t, names...)
	dir := filepath.Join(t.TempDir(), "first")
	out, told := screens("adopt", "-o", dir, "--survey", filepath.Join(folder, "survey.json"))
	assert.Contains(t, out, "Written to", told)
	written, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	require.Len(t, written, 3)
	said := ""
	for _, name := range written {
		content, err := os.ReadFile(name)
		require.NoError(t, err)
		holdsNothingThatActs(t, name, string(content))
		said += string(content)
	}
	assert.Contains(t, said, "FORGED", "the host was hostile")
}

// The same in a layout, which somebody else may have written.
func TestHostileLayout(t *testing.T) {
	folder, _ := hostileHost(t, "Kept", "Live")
	for name, text := range map[string]string{
		"in a name":     "host \"larch" + strings.ReplaceAll(evil, "\n", "") + "\" {}\n",
		"in a comment":  "# " + strings.ReplaceAll(evil, "\n", " ") + "\nhost {}\n",
		"in a value":    "host \"larch\" {\n libvirt = \"\\u001b[2J\\nFORGED\\u202e\"\n}\ncontroller \"x\" {}\n",
		"in an unknown": "host \"larch\" {\n x" + strings.ReplaceAll(evil, "\n", "") + " = 1\n}\n",
	} {
		t.Run(name, func(t *testing.T) {
			layout := t.TempDir()
			require.NoError(t, os.WriteFile(filepath.Join(layout, "larch"+"\x1b[2J\nFORGED.hcl"), []byte(text), 0o600))
			for _, as := range []string{"--json", "--json=false"} {
				out, told := screens("check", layout, "--survey", filepath.Join(folder, "survey.json"), as)
				assert.NotEmpty(t, out+told)
				holdsNothingThatActs(t, name, out+told)
			}
		})
	}
}
