package content

import (
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

// poke writes bytes into a file.
func poke(t testing.TB, path string, at int64, b ...byte) {
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	_, err = file.WriteAt(b, at)
	require.NoError(t, err)
	require.NoError(t, file.Close())
}

func made(t testing.TB, name string) string {
	c := cases[name]
	switch _, err := exec.LookPath(c.make[0]); {
	case err != nil && slices.Contains(installed, c.make[0]):
		outside.Missing(t, c.make[0]+" is not here")
	case err != nil:
		t.Skip(c.make[0] + " is not here")
	}
	path := blank(t, c.mib<<20)
	arguments := append(slices.Clone(c.make[1:]), path)
	if i := slices.Index(arguments, "{}"); i >= 0 {
		arguments[i], arguments = path, arguments[:len(arguments)-1]
	}
	invoke(t, c.make[0], arguments...)
	return path
}

// mounted mounts a volume in a mount namespace of this test's own thread and
// gives the folder, and how to unmount it.
func mounted(t *testing.T, path, kind string) (string, func()) {
	if os.Geteuid() != 0 {
		t.Skip("mounting takes root")
	}
	dir := t.TempDir()
	runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
	if err := unix.Unshare(unix.CLONE_NEWNS | unix.CLONE_FS); err != nil {
		t.Skipf("no mount namespace of its own is allowed: %v", err)
	}
	require.NoError(t, unix.Mount("", "/", "", unix.MS_REC|unix.MS_PRIVATE, ""))
	if err := unix.Mount(loopOf(t, path), dir, kind, 0, ""); err != nil {
		t.Skipf("this kernel mounts no %s: %v", kind, err)
	}
	up := true
	unmount := func() {
		if up {
			require.NoError(t, unix.Unmount(dir, 0))
			up = false
		}
	}
	t.Cleanup(unmount)
	return dir, unmount
}

func work(t *testing.T, dir string, files int) {
	for i := range files {
		require.NoError(t, os.WriteFile(filepath.Join(dir, fmt.Sprintf("reel-%06d", i)), []byte("frames"), 0o600))
	}
	syncFolder(t, dir)
}

// syncFolder has the filesystem of a folder write everything.
func syncFolder(t *testing.T, dir string) {
	folder, err := os.Open(dir)
	require.NoError(t, err)
	require.NoError(t, unix.Syncfs(int(folder.Fd())))
	require.NoError(t, folder.Close())
}

// A volume that is mounted and written is dirty, clean again once it is
// unmounted.
func TestMountedIsDirty(t *testing.T) {
	for _, c := range []struct {
		name, kind string
		up, down   facts.Condition
	}{
		{"ext2", "ext2", facts.Dirty, facts.Clean},
		{"ext3", "ext3", facts.Dirty, facts.Clean},
		{"ext4", "ext4", facts.Dirty, facts.Clean},
		{"xfs", "xfs", facts.Dirty, facts.Clean},
		{"xfs of 4096", "xfs", facts.Dirty, facts.Clean},
		{"xfs, stripe", "xfs", facts.Dirty, facts.Clean},
		{"btrfs", "btrfs", facts.UnsureIfClean, facts.UnsureIfClean},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := made(t, c.name)
			dir, unmount := mounted(t, path, c.kind)
			for i := range 2 {
				work(t, dir, 1+i*200)
				now := looked(t, path)
				assert.Equal(t, c.up, now.condition, now.why)
			}
			unmount()
			now := looked(t, path)
			assert.Equal(t, c.down, now.condition, now.why)
		})
	}
}

// The log of an XFS goes round: its end is found wherever it is, and xfs_logprint
// agrees when it is clean.
func TestXFSLogGoesRound(t *testing.T) {
	path := made(t, "xfs, short log")
	dir, unmount := mounted(t, path, "xfs")
	for pass := 0; logRound(t, path) < 2; pass++ {
		require.Less(t, pass, 40, "the log went round")
		inner := filepath.Join(dir, "pass")
		require.NoError(t, os.Mkdir(inner, 0o700))
		work(t, inner, 1000)
		require.NoError(t, os.RemoveAll(inner))
		syncFolder(t, dir)
		now := looked(t, path)
		require.Equal(t, facts.Dirty, now.condition, now.why)
	}
	unmount()
	now := looked(t, path)
	assert.Equal(t, facts.Clean, now.condition, now.why)
	assert.Contains(t, invoke(t, "xfs_logprint", "-t", loopOf(t, path)), "<CLEAN>")
}

func logRound(t *testing.T, path string) uint32 {
	file, err := os.Open(path)
	require.NoError(t, err)
	defer file.Close()
	b := make([]byte, 512)
	_, err = file.ReadAt(b, 0)
	require.NoError(t, err)
	start, bits := binary.BigEndian.Uint64(b[48:]), b[124]
	at := (start>>bits*uint64(binary.BigEndian.Uint32(b[84:])) + start&(1<<bits-1)) * uint64(binary.BigEndian.Uint32(b[4:]))
	_, err = file.ReadAt(b, int64(at))
	require.NoError(t, err)
	return round(b)
}

func TestNTFSConditions(t *testing.T) {
	for _, name := range []string{"ntfs", "ntfs of 64k"} {
		t.Run(name, func(t *testing.T) {
			path := made(t, name)
			put := func(file, content string) {
				from := filepath.Join(t.TempDir(), "content")
				require.NoError(t, os.WriteFile(from, []byte(content), 0o600))
				invoke(t, "ntfscp", "--force", "--quiet", path, from, file)
			}
			for i := range 200 { // so that the root folder has index blocks
				if i%10 == 0 || name == "ntfs" {
					put(fmt.Sprintf("a file with a long name, number %d", i), "frames")
				}
			}
			assert.Equal(t, facts.Clean, looked(t, path).condition, looked(t, path).why)
			page := string(make([]byte, 8192))
			for _, c := range []struct {
				content string
				want    facts.Condition
			}{
				{"HIBR" + page, facts.Hibernated},
				{"hibr" + page, facts.Hibernated},
				{"hibr", facts.Hibernated},
				{"wake" + page, facts.Clean},
				{page, facts.Clean},
				{"RSTR" + page, facts.UnsureIfClean},
			} {
				put("HiberFil.sys", c.content)
				now := looked(t, path)
				assert.Equal(t, c.want, now.condition, "%.4q: %s", c.content, now.why)
			}
			invoke(t, "ntfsfix", path) // has Windows check it at the next start
			now := looked(t, path)
			assert.Equal(t, facts.Dirty, now.condition, now.why)
			invoke(t, "ntfsfix", "--clear-dirty", path)
			put("HiberFil.sys", "hibr"+page)
			assert.Equal(t, facts.Hibernated, looked(t, path).condition)
		})
	}
}

func TestFATConditions(t *testing.T) {
	for _, c := range []struct {
		name      string
		table, at int64 // the byte of the marks in the second entry; Linux's mark
	}{{"fat16", 3, 37}, {"fat32", 7, 65}} {
		t.Run(c.name, func(t *testing.T) {
			for _, change := range []func(path string){
				func(path string) { poke(t, path, c.at, 1) },
				func(path string) { pokeTable(t, path, c.table, 0x80, 0x08, c.name) },
				func(path string) { pokeTable(t, path, c.table, 0x40, 0x04, c.name) },
			} {
				path := made(t, c.name)
				change(path)
				now := looked(t, path)
				assert.Equal(t, facts.Dirty, now.condition, now.why)
			}
			path := made(t, c.name)
			poke(t, path, c.at, 1)
			said, _ := exec.Command("fsck.vfat", "-n", path).CombinedOutput() // it ends with 1
			assert.Contains(t, string(said), "Dirty bit is set")
		})
	}
	path := made(t, "fat12")
	poke(t, path, 37, 1)
	assert.Equal(t, facts.Dirty, looked(t, path).condition)
}

// pokeTable clears a bit of the second entry of the first table.
func pokeTable(t testing.TB, path string, at int64, bit16, bit32 byte, name string) {
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	at += int64(binary.LittleEndian.Uint16(b[14:])) * int64(binary.LittleEndian.Uint16(b[11:]))
	bit := bit16
	if name == "fat32" {
		bit = bit32
	}
	require.NotZero(t, b[at]&bit)
	poke(t, path, at, b[at]&^bit)
}

func TestOtherConditions(t *testing.T) {
	t.Run("ext4, checksum", func(t *testing.T) {
		path := made(t, "ext4")
		poke(t, path, 1024+0x78, 'X')
		assert.Equal(t, facts.UnsureIfClean, looked(t, path).condition)
	})
	t.Run("ext4, errors", func(t *testing.T) {
		path := made(t, "ext2")
		invoke(t, "debugfs", "-w", "-R", "set_super_value state 3", path)
		assert.Equal(t, facts.Dirty, looked(t, path).condition)
		invoke(t, "debugfs", "-w", "-R", "set_super_value state 0", path)
		assert.Equal(t, facts.Dirty, looked(t, path).condition)
	})
	t.Run("xfs, checksum", func(t *testing.T) {
		path := made(t, "xfs")
		poke(t, path, 108, 'X')
		assert.Equal(t, facts.UnsureIfClean, looked(t, path).condition)
	})
	t.Run("xfs, log wiped", func(t *testing.T) {
		path := made(t, "xfs, version 4")
		b := make([]byte, 4096)
		file, err := os.Open(path)
		require.NoError(t, err)
		_, err = file.ReadAt(b, 0)
		require.NoError(t, err)
		require.NoError(t, file.Close())
		start, bits := binary.BigEndian.Uint64(b[48:]), b[124]
		at := (start>>bits*uint64(binary.BigEndian.Uint32(b[84:])) + start&(1<<bits-1)) * uint64(binary.BigEndian.Uint32(b[4:]))
		poke(t, path, int64(at), make([]byte, 4096)...)
		assert.Equal(t, facts.Dirty, looked(t, path).condition)
	})
	t.Run("btrfs, log", func(t *testing.T) {
		path := made(t, "btrfs")
		poke(t, path, 65536+96, 1)
		assert.Equal(t, facts.Dirty, looked(t, path).condition)
	})
	t.Run("exfat", func(t *testing.T) {
		path := made(t, "exfat")
		poke(t, path, 106, 2)
		assert.Equal(t, facts.Dirty, looked(t, path).condition)
	})
	t.Run("swap, asleep", func(t *testing.T) {
		path := made(t, "swap")
		poke(t, path, 4086, []byte("S1SUSPEND")...)
		now := looked(t, path)
		assert.Equal(t, facts.Hibernated, now.condition)
		assert.Equal(t, blkid(t, path), now.signature)
	})
}

// Members of arrays that no program here makes: bytes made by hand, which blkid
// takes for the same.
func TestMembersByHand(t *testing.T) {
	if _, err := exec.LookPath("blkid"); err != nil {
		outside.Missing(t, "blkid (util-linux) is not here")
	}
	super := func(sector uint64) []byte {
		b := make([]byte, 4096)
		copy(b, []byte{0xfc, 0x4e, 0x2b, 0xa9, 1})
		for i := range 16 {
			b[16+i] = byte(0xa0 + i)
		}
		copy(b[32:], "larch:0")
		binary.LittleEndian.PutUint64(b[144:], sector)
		return b
	}
	old := make([]byte, 4096)
	copy(old, []byte{0xfc, 0x4e, 0x2b, 0xa9, 0, 0, 0, 0, 90})
	copy(old[20:], []byte{1, 2, 3, 4})
	copy(old[52:], []byte{5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16})
	for name, c := range map[string]struct {
		at   int64
		b    []byte
		kind string
	}{
		"md 1.1":    {0, super(0), "linux_raid_member"},
		"md 1.2":    {4096, super(8), "linux_raid_member"},
		"md 1.0":    {16<<20 - 8192, super(16<<11 - 16), "linux_raid_member"},
		"md 0.90":   {16<<20 - 65536, old, "linux_raid_member"},
		"BitLocker": {0, append([]byte{0xeb, 0x58, 0x90}, "-FVE-FS-"...), "BitLocker"},
	} {
		t.Run(name, func(t *testing.T) {
			path := blank(t, 16<<20)
			poke(t, path, c.at, c.b...)
			found := looked(t, path)
			require.NotNil(t, found.signature)
			assert.Equal(t, c.kind, found.signature.Kind)
			if name != "BitLocker" { // blkid reads more of it than its first bytes
				assert.Equal(t, blkid(t, path), found.signature)
			}
		})
	}
	path := blank(t, 16<<20)
	toGo := make([]byte, 512)
	copy(toGo, "\xeb\x58\x90MSWIN4.1")
	binary.LittleEndian.PutUint64(toGo[440:], 1<<20)
	poke(t, path, 0, toGo...)
	assert.Nil(t, looked(t, path).signature, "it leads to nothing")
	poke(t, path, 1<<20, []byte("-FVE-FS-")...)
	assert.Equal(t, blkid(t, path), looked(t, path).signature)
	path = blank(t, 16<<20)
	poke(t, path, 4096, super(16)...) // one that was moved here
	assert.Nil(t, looked(t, path).signature)
}
