package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An advice means the host that the call was about, whatever its folder is called.
func TestAdviceKeepsTheHost(t *testing.T) {
	c, _, err := newRoot().Find([]string{"apply"})
	require.NoError(t, err)
	require.NoError(t, c.ParseFlags([]string{"--stand-in", "/tmp/it's mine"}))
	const host = ` --stand-in '/tmp/it'\''s mine'`
	assert.Equal(t, "lendkeep resume"+host+" to go on with it, or lendkeep rollback"+host+" to undo it", advised(c, "lendkeep resume to go on with it, or lendkeep rollback to undo it").String())
	assert.Equal(t, "lendkeep plan"+host+" LAYOUT -o FILE", advised(c, "lendkeep plan LAYOUT -o FILE").String())
	assert.Equal(t, "lendkeep help layout; lendkeep shim inspect FILE; lendkeep survey -o FILE", advised(c, "lendkeep help layout; lendkeep shim inspect FILE; lendkeep survey -o FILE").String(), "of no host")
	assert.EqualValues(t, "lendkeep apply 'my day.order' --approve ABCD"+host, calling(c, "apply", "my day.order", "--approve", "ABCD"))

	bare, _, err := newRoot().Find([]string{"apply"})
	require.NoError(t, err)
	assert.Equal(t, "lendkeep rollback", advised(bare, "lendkeep rollback").String())

	adopt, _, err := newRoot().Find([]string{"adopt"})
	require.NoError(t, err)
	require.NoError(t, adopt.ParseFlags([]string{"--survey", "larch.json"}))
	assert.EqualValues(t, "lendkeep plan larch -o first.order --survey larch.json", calling(adopt, "plan", "larch", "-o", "first.order"))
	assert.EqualValues(t, "lendkeep apply '-o x'", calling(adopt, "apply", "-o x"))
}

// On no terminal does a call lose the option that says which host is meant: sh(1)
// takes from what is shown what was to be called.
func TestShownCallsAreWhole(t *testing.T) {
	c, _, err := newRoot().Find([]string{"apply"})
	require.NoError(t, err)
	require.NoError(t, c.ParseFlags([]string{"--stand-in", "/tmp/it's  mine"}))
	apply := []string{"apply", "my day.order", "--approve", "AAAA-BBBB-CCCC-DDDD", "--stand-in", "/tmp/it's  mine"}
	undo := []string{"rollback", "--stand-in", "/tmp/it's  mine"}
	look := []string{"status", "--stand-in", "/tmp/it's  mine"}
	for columns := 15; columns <= 130; columns++ {
		shown := onTerminal(t, columns, func(t *text) {
			t.line("To carry it out: %s", calling(c, apply[0], apply[1:4]...))
			t.line("next: %s", advised(c, "lendkeep rollback to undo it; lendkeep status"))
		})
		script := shown[strings.Index(shown, "lendkeep"):]
		script = regexp.MustCompile(`\s+to\s+undo\s+it;\s+|\nnext:\s+`).ReplaceAllString(script, "\n")
		called, err := exec.Command("sh", "-euc", `lendkeep() { printf '%s\n' "$@" end; }`+"\n"+script).CombinedOutput()
		require.NoError(t, err, "%d columns: %s", columns, shown)
		want := ""
		for _, words := range [][]string{apply, undo, look} {
			want += strings.Join(words, "\n") + "\nend\n"
		}
		assert.Equal(t, want, string(called), "%d columns: %s", columns, shown)
	}
}

func TestWhatIs(t *testing.T) {
	for file, want := range map[string]string{
		"../../examples/larch/larch.hcl":         aLayout,
		"../../spec/language.md":                 "",
		"../../testdata/hosts/larch.txtar":       aTree,
		"../../providers/sysfs/testdata/nothing": "an empty file",
	} {
		content, _ := os.ReadFile(file)
		assert.Equal(t, want, whatIs(content), file)
	}
	folder, _ := standIn(t)
	order, code := dayOrder(t, folder)
	must(t, "apply", order, "--approve", code, "--stand-in", folder)
	for file, want := range map[string]string{order: anOrder, filepath.Join(folder, "survey.json"): aSurvey, filepath.Join(folder, "journals", numbered(1)): aJournal} {
		content, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.Equal(t, want, whatIs(content), file)
	}
	assert.Equal(t, "no text", whatIs([]byte("\x7fELF\x02\x01\x01\x00")))
	assert.Equal(t, "XML", whatIs([]byte("<domain/>")))
	assert.Equal(t, "JSON of another kind", whatIs([]byte("[1]")))
}
