package table

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

// run runs a program of gdisk or util-linux, the outside judges of tables.
func run(t require.TestingT, input, program string, arguments ...string) string {
	command := exec.Command(program, arguments...)
	command.Stdin = strings.NewReader(input)
	said, err := command.CombinedOutput()
	require.NoError(t, err, "%s %v: %s", program, arguments, said)
	return string(said)
}

// disks calls a test with a blank disk of 512-byte sectors, a file, and one of
// 4096, a loop device over a file: the programs ask the device for its sector.
func disks(t *testing.T, size int64, test func(t *testing.T, path string, sector uint64)) {
	for _, program := range []string{"sgdisk", "sfdisk", "losetup"} {
		if _, err := exec.LookPath(program); err != nil {
			outside.Missing(t, program+" (gdisk, fdisk, util-linux) is not here")
		}
	}
	blank := func(t *testing.T) string {
		path := filepath.Join(t.TempDir(), "disk")
		require.NoError(t, os.WriteFile(path, nil, 0o600))
		require.NoError(t, os.Truncate(path, size))
		return path
	}
	t.Run("512", func(t *testing.T) { test(t, blank(t), 512) })
	t.Run("4096", func(t *testing.T) {
		if os.Geteuid() != 0 {
			t.Skip("loop devices take root")
		}
		said, err := exec.Command("losetup", "--find", "--show", "--sector-size", "4096", blank(t)).CombinedOutput()
		if err != nil {
			t.Skipf("no loop device: %v: %s", err, said)
		}
		node := strings.TrimSpace(string(said))
		t.Cleanup(func() { assert.NoError(t, exec.Command("losetup", "--detach", node).Run()) })
		test(t, node, 4096)
	})
}

// dump is what sfdisk --json says.
type dump struct {
	Table struct {
		Label, ID         string
		FirstLBA, LastLBA uint64
		SectorSize        uint64
		Partitions        []struct {
			Node, Type, UUID, Name, Attrs string
			Start, Size                   uint64
			Bootable                      bool
		}
	} `json:"partitiontable"`
}

func dumped(t require.TestingT, path string) dump {
	var d dump
	said := run(t, "", "sfdisk", "--json", path)
	require.NoError(t, json.Unmarshal([]byte(said), &d), said)
	return d
}

// agree holds a table against sfdisk's view of the disk.
func agree(t require.TestingT, want *facts.Table, path string) {
	d := dumped(t, path).Table
	require.Equal(t, want.Kind, d.Label)
	if want.Kind == "gpt" {
		require.Equal(t, want.ID, strings.ToLower(d.ID))
		require.Equal(t, []uint64{want.FirstUsable, want.LastUsable}, []uint64{d.FirstLBA, d.LastLBA})
	} else {
		require.Equal(t, "0x"+want.ID, d.ID)
	}
	require.Len(t, d.Partitions, len(want.Entries))
	for i, p := range d.Partitions {
		e := want.Entries[i]
		require.Equal(t, []uint64{e.First, e.Last - e.First + 1}, []uint64{p.Start, p.Size})
		require.True(t, strings.HasSuffix(p.Node, strconv.Itoa(e.Number)), p.Node)
		if want.Kind == "gpt" {
			require.Equal(t, []string{e.ID, e.Type, e.Name}, []string{strings.ToLower(p.UUID), strings.ToLower(p.Type), p.Name})
		} else {
			require.Equal(t, e.Type, fmt.Sprintf("%02s", p.Type))
			require.Equal(t, e.Attributes == active, p.Bootable)
		}
	}
}

func TestOthersAgreeWithWhatIsWritten(t *testing.T) {
	disks(t, blocks*4096, func(t *testing.T, path string, sector uint64) {
		var count int
		rapid.Check(t, func(rt *rapid.T) {
			if count++; count > 12 {
				return // each takes four programs
			}
			file, err := os.OpenFile(path, os.O_RDWR, 0)
			require.NoError(rt, err)
			defer file.Close()
			size := uint64(blocks * 4096)
			want := randomTable(rt, size/sector, size/sector-1, sector)
			want.Entries = append([]facts.Entry{}, want.Entries...)
			for i := range want.Entries {
				want.Entries[i].Name = strings.TrimSpace(want.Entries[i].Name)
			}
			require.NoError(rt, Write(file, size, sector, nil, want))
			require.Contains(rt, run(rt, "", "sgdisk", "--verify", path), "No problems found")
			if len(want.Entries) > 0 { // of an empty table it says that it has nothing to verify
				require.Contains(rt, run(rt, "", "sfdisk", "--verify", path), "No errors detected")
			}
			agree(rt, want, path)
			require.NoError(rt, Write(file, size, sector, want, nil))
		})
		require.NotZero(t, count)
	})
}

// A table that was made for an image is moved to the end of a larger disk.
func TestMovedBackup(t *testing.T) {
	const size, short = uint64(64 << 20), uint64(48 << 20)
	disks(t, int64(size), func(t *testing.T, path string, sector uint64) {
		file, err := os.OpenFile(path, os.O_RDWR, 0)
		require.NoError(t, err)
		defer file.Close()
		small := &facts.Table{Kind: "gpt", ID: "0fc63daf-8483-4772-8e79-3d69d8477de4", FirstUsable: 2048, BackupAt: short/sector - 1, LastUsable: short/sector - 50,
			Primary: facts.Sound, Backup: facts.Sound,
			Entries: []facts.Entry{{Number: 1, First: 2048, Last: 4095, ID: "1fc63daf-8483-4772-8e79-3d69d8477de4", Type: facts.TypeESP, Name: "EFI"}}}
		require.NoError(t, Write(file, size, sector, nil, small))
		got, err := Read(file, size, sector)
		require.NoError(t, err)
		require.Equal(t, small, got)
		require.NotContains(t, run(t, "", "sgdisk", "--verify", path), "No problems found")

		large := *small
		large.BackupAt, large.LastUsable = size/sector-1, size/sector-2-16384/sector
		large.Entries = append(large.Entries, facts.Entry{Number: 2, First: 4096, Last: large.LastUsable, ID: "2fc63daf-8483-4772-8e79-3d69d8477de4",
			Type: "0fc63daf-8483-4772-8e79-3d69d8477de4", Name: "shelf"})
		require.NoError(t, Write(file, size, sector, small, &large))
		require.Contains(t, run(t, "", "sgdisk", "--verify", path), "No problems found")
		require.Contains(t, run(t, "", "sfdisk", "--verify", path), "No errors detected")
		agree(t, &large, path)
	})
}

// The reader agrees with sfdisk on tables that sgdisk and sfdisk made.
func TestReadsTablesOfOthers(t *testing.T) {
	for name, c := range map[string]struct{ program, input string }{
		"sgdisk": {"sgdisk", ""},
		"sfdisk gpt": {"sfdisk", "label: gpt\nsize=8MiB, type=U, name=\"EFI system\", attrs=\"RequiredPartition GUID:63\"\n" +
			"size=16MiB, type=L\nsize=+, type=L, name=\"größer\"\n"},
		"sfdisk gpt of 200":  {"sfdisk", "label: gpt\ntable-length: 200\nsize=8MiB, type=U\n"},
		"sfdisk dos":         {"sfdisk", "label: dos\nlabel-id: 0x1badcafe\nsize=8MiB, type=7, bootable\nsize=16MiB, type=83\n"},
		"sfdisk logical":     {"sfdisk", "label: dos\nsize=8MiB, type=7\ntype=f\nsize=4MiB, type=83\nsize=4MiB, type=82\nsize=+, type=83\n"},
		"sfdisk dos, empty":  {"sfdisk", "label: dos\n"},
		"sfdisk gpt, empty":  {"sfdisk", "label: gpt\n"},
		"sfdisk one logical": {"sfdisk", "label: dos\nstart=10MiB, type=5\nsize=2MiB, type=83\n"},
	} {
		t.Run(name, func(t *testing.T) {
			disks(t, 64<<20, func(t *testing.T, path string, sector uint64) {
				if c.program == "sgdisk" {
					run(t, "", "sgdisk", "-n", "3:2048:+8M", "-t", "3:ef00", "-c", "3:EFI", "-n", "1:0:+4M", "-A", "1:set:60", "-n", "128:0:0", "-c", "128:shelf", path)
				} else {
					run(t, c.input, "sfdisk", "--no-reread", "--wipe=never", path)
				}
				file, err := os.Open(path)
				require.NoError(t, err)
				defer file.Close()
				got, err := Read(file, 64<<20, sector)
				require.NoError(t, err)
				require.NotNil(t, got)
				agree(t, got, path)
				if got.Kind == "gpt" {
					assert.Equal(t, []facts.Header{facts.Sound, facts.Sound}, []facts.Header{got.Primary, got.Backup})
					assert.Equal(t, uint64(64<<20)/sector-1, got.BackupAt)
				}
				assert.False(t, got.Stale)
			})
		})
	}
}
