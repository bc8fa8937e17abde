package main

import (
	"os"
	"path/filepath"
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
	assert.Equal(t, "lendkeep resume"+host+" to go on with it, or lendkeep rollback"+host+" to undo it", advised(c, "lendkeep resume to go on with it, or lendkeep rollback to undo it"))
	assert.Equal(t, "lendkeep plan"+host+" LAYOUT -o FILE", advised(c, "lendkeep plan LAYOUT -o FILE"))
	assert.Equal(t, "lendkeep help layout; lendkeep shim inspect FILE; lendkeep survey -o FILE", advised(c, "lendkeep help layout; lendkeep shim inspect FILE; lendkeep survey -o FILE"), "of no host")
	assert.Equal(t, "lendkeep apply 'my day.order' --approve ABCD"+host, calling(c, "apply", "my day.order", "--approve", "ABCD"))

	bare, _, err := newRoot().Find([]string{"apply"})
	require.NoError(t, err)
	assert.Equal(t, "lendkeep rollback", advised(bare, "lendkeep rollback"))

	adopt, _, err := newRoot().Find([]string{"adopt"})
	require.NoError(t, err)
	require.NoError(t, adopt.ParseFlags([]string{"--survey", "larch.json"}))
	assert.Equal(t, "lendkeep plan larch -o first.order --survey larch.json", calling(adopt, "plan", "larch", "-o", "first.order"))
	assert.Equal(t, "lendkeep apply '-o x'", calling(adopt, "apply", "-o x"))
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
