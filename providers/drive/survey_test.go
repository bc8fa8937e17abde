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

func TestSurveyContents(t *testing.T) {
	drives, d, node := loop(t, 16<<20, 4096)
	want := shelf(d)
	require.NoError(t, drives.WriteTable(t.Context(), d, nil, want, "a"))
	root := t.TempDir()
	raw := filepath.Join(root, "srv", "grading.img")
	require.NoError(t, os.MkdirAll(filepath.Dir(raw), 0o777))
	require.NoError(t, os.WriteFile(raw, make([]byte, 1<<20), 0o600))
	require.NoError(t, os.Truncate(raw, 32<<20))

	device, err := drives.Find(d)
	require.NoError(t, err)
	block := facts.Block{Name: device.Name, Devno: device.Devno, SizeBytes: d.SizeBytes, SectorBytes: 4096}
	s := &facts.Survey{Blocks: []facts.Block{block, {Name: "gone"}}}
	Contents{Systems: system.Look}.Survey(t.Context(), s, []Look{{Name: device.Name, Sample: true}, {Name: "gone"}, {Name: "never", Sample: true}}, []facts.StatedImage{{Path: raw, Format: "raw"}, {Path: raw + ".none", Format: "raw"}})
	by := map[string]facts.Content{}
	for _, c := range s.Contents {
		by[c.Of] = c
	}
	require.Len(t, by, 5)
	assert.Equal(t, want, by[device.Name].Table)
	assert.Empty(t, by[device.Name].Gaps)
	assert.Equal(t, []string{"shelf"}, []string{by[device.Name].Table.Entries[0].Name})
	for _, name := range []string{"gone", "never", raw + ".none"} {
		assert.NotNil(t, by[name].Gaps, name)
		assert.False(t, by[name].Blank)
	}
	i := by[raw]
	assert.True(t, i.Blank && i.Image)
	assert.NotEmpty(t, i.Stamp)
	assert.Equal(t, []uint64{32 << 20, 512}, []uint64{i.SizeBytes, i.SectorBytes})
	assert.LessOrEqual(t, i.DataBytes, uint64(1<<20))

	// Below a root, and changed: another stamp.
	require.NoError(t, os.WriteFile(raw, []byte("changed"), 0o600))
	s = &facts.Survey{}
	Contents{Root: root}.Survey(t.Context(), s, nil, []facts.StatedImage{{Path: "/srv/grading.img", Format: "raw"}})
	require.Len(t, s.Contents, 1)
	assert.NotEqual(t, i.Stamp, s.Contents[0].Stamp)
	assert.NotEmpty(t, s.Contents[0].Stamp)

	// The name leads to another device than the survey saw.
	other := block
	other.Devno.Minor++
	s = &facts.Survey{Blocks: []facts.Block{other}}
	Contents{Systems: system.Look}.Survey(t.Context(), s, []Look{{Name: device.Name}}, nil)
	require.NotEmpty(t, s.Contents[0].Gaps)
	assert.Contains(t, s.Contents[0].Gaps[0].Reason, filepath.Base(node)+" is now device")
}

// Whether a drive is blank all over is seen where that is asked for; else it is not known.
func TestBlankIsAskedFor(t *testing.T) {
	drives, d, _ := loop(t, 16<<20, 4096)
	device, err := drives.Find(d)
	require.NoError(t, err)
	for _, sample := range []bool{true, false} {
		s := &facts.Survey{Blocks: []facts.Block{{Name: device.Name, Devno: device.Devno, SizeBytes: d.SizeBytes, SectorBytes: 4096}}}
		Contents{}.Survey(t.Context(), s, []Look{{Name: device.Name, Sample: sample}}, nil)
		require.Len(t, s.Contents, 1)
		assert.Empty(t, s.Contents[0].Gaps)
		assert.Equal(t, sample, s.Contents[0].Blank)
		assert.True(t, s.Contents[0].Bare(), "at its ends it is")
	}
}

func TestSurveyQcow2(t *testing.T) {
	for _, program := range []string{"qemu-img", "sgdisk"} {
		if _, err := exec.LookPath(program); err != nil {
			outside.Missing(t, program+" is not here")
		}
	}
	drives, d, raw := standIn(t, 16<<20, 512)
	require.NoError(t, drives.WriteTable(t.Context(), d, nil, shelf(d), "a"))
	qcow2 := raw + ".qcow2"
	said, err := exec.Command("qemu-img", "convert", "-c", "-O", "qcow2", raw, qcow2).CombinedOutput()
	require.NoError(t, err, "%s", said)
	s := &facts.Survey{}
	Contents{Systems: system.Look}.Survey(t.Context(), s, nil, []facts.StatedImage{{Path: qcow2, Format: "qcow2"}})
	c := s.Contents[0]
	assert.Empty(t, c.Gaps)
	assert.Equal(t, "qcow2", c.Format)
	assert.Equal(t, shelf(d), c.Table)
	assert.NotZero(t, c.DataBytes)
}
