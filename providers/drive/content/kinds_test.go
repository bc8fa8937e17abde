package content

import (
	"bytes"
	"encoding/binary"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

// unclassified gives those kinds of a list that are not known here.
func unclassified(kinds []string) []string {
	return slices.DeleteFunc(slices.Clone(kinds), func(kind string) bool { return UsageOf(kind) != "unknown" })
}

// Outside source: blkid -k, which lists what libblkid can recognise.
func TestEveryKindOfBlkidIsClassified(t *testing.T) {
	if _, err := exec.LookPath("blkid"); err != nil {
		outside.Missing(t, "blkid (util-linux) is not here")
	}
	kinds := strings.Fields(invoke(t, "blkid", "-k"))
	require.Greater(t, len(kinds), 60)
	assert.Empty(t, unclassified(kinds), "say in usages how they are used")
	assert.Equal(t, []string{"newer"}, unclassified([]string{"ext4", "newer"}), "the test can fail")
	for _, m := range slices.Concat(driveMarks, tailMarks, memberMarks, filesystemMarks) {
		assert.NotEqual(t, "unknown", UsageOf(m.kind), m.kind)
		assert.True(t, m.kind == "geom_member" || slices.Contains(kinds, m.kind), "%s is blkid's name for nothing", m.kind)
	}
}

func volumeOf(b []byte) *volume { return newVolume(bytes.NewReader(b), 0, uint64(len(b))) }

func TestTuxOnIceIsHibernated(t *testing.T) {
	path := made(t, "swap")
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	copy(b, "\xed\xc3\x02\xe9\x98\x56\xe5\x0c") // libblkid swap.c, TOI_MAGIC_STRING
	found, err := look(volumeOf(b))
	require.NoError(t, err)
	assert.Equal(t, facts.Hibernated, found.condition)
	toi := blank(t, int64(len(b)))
	require.NoError(t, os.WriteFile(toi, b, 0o600))
	assert.Equal(t, "swsuspend", blkid(t, toi).Kind)
	assert.Equal(t, "swsuspend", found.signature.Kind)
}

// A bridge (ECMA-167 3, 3.1): descriptors of UDF behind those of ISO 9660.
func TestBridgeIsNotCleanISO(t *testing.T) {
	b := make([]byte, 1<<20)
	for sector, name := range map[int]string{16: "\x01CD001\x01", 17: "\xffCD001\x01", 18: "\x00BEA01\x01", 19: "\x00NSR02\x01", 20: "\x00TEA01\x01"} {
		copy(b[sector*2048:], name)
	}
	found, err := look(volumeOf(b))
	require.NoError(t, err)
	assert.Equal(t, "udf", found.signature.Kind)
	assert.Equal(t, facts.UnsureIfClean, found.condition)
	clear(b[18*2048 : 21*2048])
	found, err = look(volumeOf(b))
	require.NoError(t, err)
	assert.Equal(t, "iso9660 clean", found.signature.Kind+" "+string(found.condition))
}

// Neither heads nor a jump nor the name of its kind make a FAT one (Microsoft
// FAT specification 1.03, 3.1).
func TestFATWithoutHeads(t *testing.T) {
	b, err := os.ReadFile(made(t, "fat16"))
	require.NoError(t, err)
	for what, change := range map[string]func(b []byte){
		"as made":      func([]byte) {},
		"no heads":     func(b []byte) { clear(b[24:28]) },
		"no jump":      func(b []byte) { clear(b[:3]); clear(b[24:28]) },
		"no name":      func(b []byte) { clear(b[54:62]); clear(b[24:28]) },
		"no boot code": func(b []byte) { clear(b[:3]); clear(b[24:28]); clear(b[54:510]) },
	} {
		changed := bytes.Clone(b)
		change(changed)
		c := Read(bytes.NewReader(changed), "x", uint64(len(changed)), 512, false)
		assert.Empty(t, c.Gaps, what)
		assert.Nil(t, c.Table, what)
		require.NotNil(t, c.Signature, what)
		assert.Equal(t, "vfat", c.Signature.Kind, what)
	}
	binary.LittleEndian.PutUint32(b[446+8:], 2048) // a record beside it: it may be either
	binary.LittleEndian.PutUint32(b[446+12:], 2048)
	b[446], b[446+4] = 0, 0x83
	clear(b[462:510])
	assert.NotEmpty(t, Read(bytes.NewReader(b), "x", uint64(len(b)), 512, false).Gaps)
}
