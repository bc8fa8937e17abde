package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/creack/pty"
	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/spec/plain"
)

// seen runs a command at a terminal of that many columns and gives its lines.
func seen(t *testing.T, columns int, arguments ...string) []string {
	t.Helper()
	code := 0
	text := shownAt(t, columns, func(far *os.File) {
		code = run(t.Context(), arguments, strings.NewReader(""), far, far)
	})
	require.Contains(t, []int{exitDone, exitFindings}, code, "%v: %s", arguments, text)
	text = fleeting.ReplaceAllString(text, "")
	return strings.Split(strings.TrimSuffix(text, "\n"), "\n")
}

// onTerminal gives what is shown at a terminal of that many columns.
func onTerminal(t *testing.T, columns int, print func(*text)) string {
	t.Helper()
	return shownAt(t, columns, func(far *os.File) {
		out := &text{w: far}
		print(out)
		require.NoError(t, out.err)
	})
}

func shownAt(t *testing.T, columns int, show func(far *os.File)) string {
	t.Helper()
	near, far, err := pty.Open()
	require.NoError(t, err)
	require.NoError(t, pty.Setsize(near, &pty.Winsize{Cols: uint16(columns), Rows: 25}))
	all := make(chan string)
	go func() {
		content, _ := io.ReadAll(near) // ends with an error once the far side is closed (Linux)
		all <- string(content)
	}()
	show(far)
	require.NoError(t, far.Close())
	text := <-all
	require.NoError(t, near.Close())
	return strings.ReplaceAll(text, "\r\n", "\n")
}

// fleeting is progress, which the terminal shows no more once it is cleared.
var fleeting = regexp.MustCompile(`(\r\x1b\[K[^\r\n]*)*\r\x1b\[K`)

// fits holds that no line is wider than the terminal, but for a word that is,
// and that no word was cut, lost or added.
func fits(t *testing.T, widths []int, arguments ...string) {
	t.Helper()
	var out, told bytes.Buffer
	run(t.Context(), arguments, strings.NewReader(""), &out, &told)
	piped := map[string]bool{}
	for _, word := range strings.Fields(out.String() + told.String()) {
		piped[word] = true
	}
	for _, columns := range widths {
		shown := map[string]bool{}
		for _, line := range seen(t, columns, append(arguments, "--color", "never")...) {
			all := strings.Fields(strings.TrimSuffix(line, ` \`)) // a call that goes on
			if plain.Columns(line) > columns {
				assert.Len(t, all, 1, "%v at %d columns: %q", arguments, columns, line)
			}
			for _, word := range all {
				shown[word] = true
				assert.True(t, piped[word], "%v at %d columns: %q in %q", arguments, columns, word, line)
			}
		}
		for word := range piped {
			assert.True(t, shown[word] || word == "-" || silent[word], "%v at %d columns: %q is not shown", arguments, columns, word)
		}
	}
}

// silent are headings of columns that may be left out where no row says anything.
var silent = map[string]bool{"borrows": true, "slot": true, "link": true, "used": true, "by": true, "why": true, "not": true, "shift": true}

// larch gives a folder with the stand-in host, and an order for it.
func larch(t *testing.T) (folder, order string) {
	folder = t.TempDir()
	must(t, "survey", "--root", "../../testdata/hosts/larch.txtar", "-o", filepath.Join(folder, "survey.json"))
	order = filepath.Join(folder, "an.order")
	must(t, "plan", "../../examples/larch", "--stand-in", folder, "-o", order)
	return folder, order
}

func TestScreensFitTheTerminal(t *testing.T) {
	folder, order := larch(t)
	const layout = "../../examples/larch"
	widths := []int{60, 80, 100, 120, 250}
	fits(t, widths, "survey", "--stand-in", folder)
	fits(t, widths, "check", layout, "--stand-in", folder)
	fits(t, widths, "plan", layout, "--shift", "day", "--stand-in", folder, "--xml")
	fits(t, widths, "show", order, "--xml")
	fits(t, widths, "status", layout, "--stand-in", folder)
	fits(t, []int{60, 80, 120}, "rehearse", order, "--survey", filepath.Join(folder, "survey.json"))
	sealed, err := openOrder(order)
	require.NoError(t, err)
	must(t, "apply", order, "--approve", sealed.Code(), "--stand-in", folder)
	fits(t, widths, "status", "--orders", "--stand-in", folder)
}

// What changes something is shown once only, so each width has a host of its own.
func TestDeedsFitTheTerminal(t *testing.T) {
	for _, columns := range []int{60, 80, 120} {
		folder, order := larch(t)
		sealed, err := openOrder(order)
		require.NoError(t, err)
		before := filepath.Join(folder, "survey.json")
		for _, call := range [][]string{
			{"adopt", "-o", filepath.Join(t.TempDir(), "layout"), "--stand-in", folder},
			{"apply", order, "--approve", sealed.Code(), "--stand-in", folder},
			{"survey", "--stand-in", folder, "--since", before, "--layout", "../../examples/larch"},
			{"watch", "--once", "--stand-in", folder},
			{"status", "--history", "--stand-in", folder},
			{"rollback", "--stand-in", folder},
			{"version"},
		} {
			lines := seen(t, columns, call...)
			for _, line := range lines {
				assert.True(t, plain.Columns(line) <= columns || len(strings.Fields(line)) == 1, "%v at %d columns: %q", call, columns, line)
			}
			assert.NotEmpty(t, strings.Join(lines, ""), "%v", call)
		}
	}
}

func TestHelpFitsTheTerminal(t *testing.T) {
	widths := []int{60, 80, 120}
	for _, name := range []string{"host-use", "partition", "copy_of"} {
		fits(t, widths, "check", "--explain", name)
	}
	walk(newRoot(), func(c *cobra.Command) {
		fits(t, widths, append(strings.Fields(c.CommandPath())[1:], "--help")...)
	})
}

// A host with much of everything, whose names are long.
func TestWideHostFitsTheTerminal(t *testing.T) {
	t.Setenv("LC_ALL", "C.UTF-8")
	b := invented.NewBuilder()
	drive := b.NVMe("RL-4410-0073", "start", "shelf", "a partition with a name of several words")
	b.Mount("nvme0n1p2", "/srv/"+strings.Repeat("shelf/", 20))
	b.Guest("grading", "/srv/images/"+strings.Repeat("long/", 30)+"grading.qcow2", b.Identity("reel", drive))
	b.Guest("漢字 with wide letters "+strings.Repeat("漢字", 20), "/srv/images/x.qcow2")
	b.Survey.Gaps = []facts.Gap{{Fact: "swap", Path: "/proc/swaps", Reason: strings.Repeat("nobody may read it, ", 20)}}
	folder := t.TempDir()
	file, err := os.Create(filepath.Join(folder, "survey.json"))
	require.NoError(t, err)
	require.NoError(t, b.Survey.Encode(file))
	require.NoError(t, file.Close())
	fits(t, []int{20, 60, 80, 120}, "survey", "--stand-in", folder)
}

// A terminal that does not say how wide it is has 80 columns.
func TestUnknownWidth(t *testing.T) {
	widest := 0
	for _, line := range seen(t, 0, "check", "--explain", "host-use") {
		widest = max(widest, plain.Columns(line))
	}
	for _, line := range seen(t, 0, "survey", "--root", "../../testdata/hosts/larch.txtar") {
		widest = max(widest, plain.Columns(line))
	}
	assert.LessOrEqual(t, widest, 80)
	assert.Greater(t, widest, 60)
}

// Colour is an addition: without it every screen says the same, and nobody but
// lendkeep itself may draw.
func TestColour(t *testing.T) {
	folder, _ := larch(t)
	check := []string{"check", "../../examples/larch", "--stand-in", folder}
	const marked = "\x1b[1;33mcaution\x1b[0m: /srv/shelf is mounted"
	for _, c := range []struct {
		name     string
		no, term string
		more     []string
		terminal bool
		coloured bool
	}{
		{"a terminal", "", "xterm", nil, true, true},
		{"a terminal that is asked not to", "1", "xterm", nil, true, false},
		{"a terminal that cannot", "", "dumb", nil, true, false},
		{"never", "", "xterm", []string{"--color", "never"}, true, false},
		{"always goes before NO_COLOR", "1", "xterm", []string{"--color=always"}, true, true},
		{"a pipe", "", "xterm", nil, false, false},
		{"a pipe, always", "", "xterm", []string{"--color=always"}, false, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Setenv("NO_COLOR", c.no)
			t.Setenv("TERM", c.term)
			text := ""
			if c.terminal {
				text = strings.Join(seen(t, 80, append(check, c.more...)...), "\n")
			} else {
				text, _ = screens(append(check, c.more...)...)
			}
			assert.Equal(t, c.coloured, strings.Contains(text, marked))
			assert.Equal(t, c.coloured, strings.Contains(text, "\x1b"))
		})
	}
	t.Run("standard error", func(t *testing.T) {
		layout := t.TempDir()
		const shared = "host \"larch\" {}\ncontroller \"archive\" {\n  nvme { serial = \"RL-4410-0119\" }\n}\nguest \"grading\" {\n  borrows = [controller.archive]\n}\n"
		require.NoError(t, os.WriteFile(filepath.Join(layout, "larch.hcl"), []byte(shared), 0o600))
		for when, coloured := range map[string]bool{"always": true, "never": false} {
			_, told := screens("plan", layout, "--stand-in", folder, "-o", "-", "--color", when)
			assert.Equal(t, coloured, strings.Contains(told, "\x1b[1;31mstop\x1b[0m: "), told)
		}
	})
	out, told := screens("check", ".", "--color", "sometimes")
	assert.Equal(t, "lendkeep: --color \"sometimes\": want auto, always or never\n", out+told)
	t.Run("not for guests", func(t *testing.T) {
		hostile, layout := hostileHost(t, names...)
		text := strings.Join(seen(t, 80, "plan", layout, "--shift", "day", "--xml", "--stand-in", hostile, "--color=always"), "\n")
		for _, style := range []string{"1;31", "1;33", "36", "2", "1"} {
			text = strings.ReplaceAll(text, "\x1b["+style+"m", "")
		}
		holdsNothingThatActs(t, "a screen in colour", strings.ReplaceAll(text, "\x1b[0m", ""))
	})
}

// The carets stand below what is meant, however narrow the terminal is and whatever
// its locale can show.
func TestCaretsStandBelow(t *testing.T) {
	folder, layout := t.TempDir(), t.TempDir()
	must(t, "survey", "--root", "../../testdata/hosts/larch.txtar", "-o", filepath.Join(folder, "survey.json"))
	const text = "host \"larch\" {}\nguest \"a\" { /* größer, " + "and a remark that is much too long for it */ retired = \"yes\" }\n"
	require.NoError(t, os.WriteFile(filepath.Join(layout, "larch.hcl"), []byte(text), 0o600))
	for _, locale := range []string{"C", "C.UTF-8"} {
		t.Setenv("LC_ALL", locale)
		for _, columns := range []int{40, 60, 80, 120} {
			lines := strings.Split(shownAt(t, columns, func(far *os.File) {
				run(t.Context(), []string{"check", layout, "--stand-in", folder}, strings.NewReader(""), far, far)
			}), "\n")
			marks := slices.IndexFunc(lines, func(line string) bool { return strings.Contains(line, "^") })
			require.Positive(t, marks, lines)
			at, shown := strings.Index(lines[marks], "^"), []rune(lines[marks-1])
			assert.Equal(t, "    ", string(shown[:4]))
			assert.Equal(t, `"yes"`, string(shown[at:at+5]), "%s, %d columns: %q", locale, columns, lines)
			assert.LessOrEqual(t, len(shown), columns)
		}
	}
}

// A line of the log fits the terminal as everything else does.
func TestLogFitsTheTerminal(t *testing.T) {
	folder, _ := larch(t)
	layout, order := t.TempDir(), filepath.Join(t.TempDir(), "day.order")
	text, err := os.ReadFile("../../examples/larch/larch.hcl")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(layout, "larch.hcl"), text, 0o600))
	must(t, "plan", layout, "--stand-in", folder, "-o", order)
	require.NoError(t, os.RemoveAll(layout))
	sealed, err := openOrder(order)
	require.NoError(t, err)
	lines := seen(t, 60, "apply", order, "--approve", sealed.Code(), "--stand-in", folder)
	assert.Contains(t, strings.Join(lines, " "), "warn the layout is not here, so whether it has changed is not looked at; the host's facts are")
	for _, line := range lines {
		assert.True(t, plain.Columns(line) <= 60 || len(strings.Fields(line)) == 1, line)
	}
}

// JSON is never broken into lines: a string in it would be cut.
func TestJSONIsNotWrapped(t *testing.T) {
	folder, _ := larch(t)
	for _, arguments := range [][]string{
		{"check", "../../examples/larch", "--stand-in", folder, "--json"},
		{"plan", "../../examples/larch", "--stand-in", folder, "--json"},
		{"status", "../../examples/larch", "--stand-in", folder, "--json"},
	} {
		out, _ := screens(arguments...)
		assert.Equal(t, strings.TrimSuffix(out, "\n"), strings.Join(seen(t, 60, arguments...), "\n"), fmt.Sprint(arguments))
	}
}
