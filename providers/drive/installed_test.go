package drive

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/drive/system"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

// A survey says which system is in an image, raw or qcow2.
func TestSurveyInstalled(t *testing.T) {
	for _, program := range []string{"qemu-img", "sgdisk", "mke2fs"} {
		if _, err := exec.LookPath(program); err != nil {
			outside.Missing(t, program+" is not here")
		}
	}
	run := func(command ...string) {
		said, err := exec.Command(command[0], command[1:]...).CombinedOutput()
		require.NoError(t, err, "%s", said)
	}
	folder := t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(folder, "root/usr"), 0o755))
	require.NoError(t, os.MkdirAll(filepath.Join(folder, "root/etc"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "root/etc/os-release"), []byte("PRETTY_NAME=\"Larch 12\"\n"), 0o644))
	raw := filepath.Join(folder, "raw")
	require.NoError(t, os.WriteFile(raw, nil, 0o644))
	require.NoError(t, os.Truncate(raw, 20<<20))
	run("sgdisk", "-n", "1:1M:+16M", raw)
	run("mke2fs", "-q", "-F", "-t", "ext4", "-E", "offset=1048576", "-d", filepath.Join(folder, "root"), raw, "16M")
	run("qemu-img", "convert", "-c", "-O", "qcow2", raw, raw+".qcow2")
	s := &facts.Survey{}
	Contents{Systems: system.Look}.Survey(t.Context(), s, nil, []facts.StatedImage{{Path: raw, Format: "raw"}, {Path: raw + ".qcow2", Format: "qcow2"}})
	require.Len(t, s.Contents, 2)
	for _, c := range s.Contents {
		require.NotNil(t, c.System, c.Of)
		assert.Equal(t, []any{"linux", "Larch 12", 1}, []any{c.System.Kind, c.System.Name, c.System.Partition})
		assert.Equal(t, facts.Unknown, c.System.Answer(facts.AsksDriver).Says)
	}
}
