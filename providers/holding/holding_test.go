package holding

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

// drive is a loop device over a file, which a survey shows as the drive of a
// function.
type drive struct {
	testing.TB
	file, device string
	survey       *facts.Survey
	at           facts.Address
}

func newDrive(t *testing.T) *drive {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("loop devices take root")
	}
	for _, program := range []string{"losetup", "mkfs.ext4", "unshare"} {
		if _, err := exec.LookPath(program); err != nil {
			outside.Missing(t, program)
		}
	}
	visible(t)
	d := &drive{TB: t, file: filepath.Join(t.TempDir(), "drive"), at: facts.Address{Bus: 1}}
	require.NoError(t, os.WriteFile(d.file, nil, 0o600))
	require.NoError(t, os.Truncate(d.file, 16<<20))
	d.run("mkfs.ext4", "-q", d.file)
	d.device = strings.TrimSpace(d.run("losetup", "--find", "--show", d.file))
	t.Cleanup(func() { d.run("losetup", "--detach", d.device) })
	var stat unix.Stat_t
	require.NoError(t, unix.Stat(d.device, &stat))
	d.survey = &facts.Survey{
		Functions: []facts.Function{{Address: d.at, Driver: "nvme"}},
		Blocks:    []facts.Block{{Name: filepath.Base(d.device), Devno: devno(stat.Rdev), Controller: &d.at, SizeBytes: 16 << 20}},
	}
	return d
}

// visible leaves out processes that are hidden from root, as where the whole
// test runs in a box: of those nothing could be said.
func visible(t *testing.T) {
	all := processes
	t.Cleanup(func() { processes = all })
	processes = func() ([]process, error) {
		list, err := all()
		return slices.DeleteFunc(list, func(p process) bool {
			_, err := os.Readlink(p.path("ns/mnt"))
			return os.IsPermission(err)
		}), err
	}
}

func (d *drive) run(program string, arguments ...string) string {
	d.Helper()
	out, err := exec.Command(program, arguments...).CombinedOutput()
	require.NoError(d, err, "%s %v: %s", program, arguments, out)
	return string(out)
}

// begin runs lines of shell that say "ready" and stay until the test is over.
func (d *drive) begin(program string, arguments ...string) {
	d.Helper()
	command := exec.Command(program, arguments...)
	in, err := command.StdinPipe()
	require.NoError(d, err)
	out, err := command.StdoutPipe()
	require.NoError(d, err)
	command.Stderr = os.Stderr
	require.NoError(d, command.Start())
	d.Cleanup(func() { _ = in.Close(); _ = command.Wait() })
	said := make([]byte, 6)
	_, err = out.Read(said)
	require.NoError(d, err)
	require.Equal(d, "ready\n", string(said))
}

// uses asks and gives the live uses in words.
func (d *drive) uses() string {
	Ask(d.Context(), d.survey, d.at)
	var list []string
	for _, u := range facts.NewIndex(d.survey).LiveUses(d.at) {
		list = append(list, u.String())
	}
	return strings.Join(list, "; ")
}

func (d *drive) block() facts.Block { return d.survey.Blocks[0] }

func TestAnIdleDriveIsFree(t *testing.T) {
	d := newDrive(t)
	assert.Empty(t, d.uses())
	assert.Equal(t, facts.HeldByNobody, d.block().Exclusive)
	assert.Empty(t, facts.NewIndex(d.survey).Unasked(d.at))
	release, err := Hold(t.Context(), d.survey, d.at)
	require.NoError(t, err)
	assert.Contains(t, d.uses(), "the kernel says that it is in use", "held")
	_, err = hold(t.Context(), d.survey, d.at)
	assert.ErrorIs(t, err, unix.EBUSY, "by one at a time")
	release()
	assert.NotContains(t, d.uses(), "the kernel says")
}

// Mounted only where the host does not see it.
func TestMountInAnotherNamespace(t *testing.T) {
	d := newDrive(t)
	place := t.TempDir()
	d.begin("unshare", "-m", "--propagation", "private", "sh", "-c", "mount "+d.device+" "+place+" && echo ready && read x")
	assert.Contains(t, d.uses(), "which has it mounted at "+place+" in another mount namespace")
	assert.Equal(t, facts.HeldBySomeone, d.block().Exclusive)
	assert.NotContains(t, d.uses(), "the kernel says", "somebody is named")
	_, err := Hold(t.Context(), d.survey, d.at)
	assert.ErrorContains(t, err, "somebody holds "+d.block().Name)
}

// A disk of a guest is asked of by its path, whoever's it is.
func TestDiskInAnotherNamespace(t *testing.T) {
	d := newDrive(t)
	d.survey.Functions, d.survey.Blocks[0].Controller = nil, nil
	AskDisks(t.Context(), d.survey, d.file, d.device)
	assert.Equal(t, facts.HeldByNobody, d.block().Exclusive)
	d.survey.Blocks[0].Exclusive = facts.NotAsked
	AskDisks(t.Context(), d.survey, d.file)
	assert.Equal(t, facts.NotAsked, d.block().Exclusive, "nobody named it")
	d.begin("unshare", "-m", "--propagation", "private", "sh", "-c", "mount "+d.device+" "+t.TempDir()+" && echo ready && read x")
	AskDisks(t.Context(), d.survey, d.device)
	assert.Equal(t, facts.HeldBySomeone, d.block().Exclusive)
	uses := facts.NewIndex(d.survey).HostUses(d.device)
	require.NotEmpty(t, uses)
	assert.Contains(t, uses[0].String(), "the kernel says that it is in use")
}

// Kept by a namespace of its own after it was unmounted on the host, and one
// that goes along. Both as seen while the host still has it mounted.
func TestMountThatStaysElsewhere(t *testing.T) {
	d := newDrive(t)
	base, place := t.TempDir(), ""
	d.run("mount", "-t", "tmpfs", "base", base)
	t.Cleanup(func() { d.run("umount", base) })
	d.run("mount", "--make-shared", base)
	place = filepath.Join(base, "shelf")
	require.NoError(t, os.Mkdir(place, 0o700))
	d.run("mount", d.device, place)
	mounted := true
	t.Cleanup(func() {
		if mounted {
			d.run("umount", place)
		}
	})
	host := facts.Mount{Devno: d.block().Devno, Path: place, Kind: "ext4", Source: d.device}
	d.survey.Mounts = []facts.Mount{host}

	d.begin("unshare", "-m", "--propagation", "slave", "sh", "-c", "echo ready && read x")
	assert.Equal(t, "0000:01:00.0 > "+d.block().Name+" > mount "+place, d.uses(), "a slave lets go with the host")

	d.begin("unshare", "-m", "--propagation", "private", "sh", "-c", "echo ready && read x")
	assert.Contains(t, d.uses(), "which has it mounted at "+place+" in another mount namespace")

	d.run("umount", place)
	mounted = false
	d.survey.Mounts = slicesWithout(d.survey.Mounts, host.Path)
	assert.Contains(t, d.uses(), "which has it mounted at "+place+" in another mount namespace")
}

// The relation of the mount below decides, not that of the mount itself.
func TestPropagationIsThatOfTheMountBelow(t *testing.T) {
	d := newDrive(t)
	base := t.TempDir()
	d.run("mount", "-t", "tmpfs", "base", base)
	t.Cleanup(func() { d.run("umount", base) })
	d.run("mount", "--make-shared", base)
	place := filepath.Join(base, "shelf")
	require.NoError(t, os.Mkdir(place, 0o700))
	d.run("mount", d.device, place)
	d.survey.Mounts = []facts.Mount{{Devno: d.block().Devno, Path: place, Kind: "ext4", Source: d.device}}
	d.begin("unshare", "-m", "--propagation", "slave", "sh", "-c", "mount --make-private "+base+" && echo ready && read x")
	said := d.uses()
	d.run("umount", place)
	d.survey.Mounts = nil
	assert.Contains(t, said, "another mount namespace", "before")
	assert.Contains(t, d.uses(), "another mount namespace", "it has stayed, so the kernel agrees")
}

func slicesWithout(list []facts.Mount, place string) []facts.Mount {
	var kept []facts.Mount
	for _, m := range list {
		if m.Path != place || m.Elsewhere != "" {
			kept = append(kept, m)
		}
	}
	return kept
}

// Plain openers, by whatever name they know the device.
func TestOpeners(t *testing.T) {
	d := newDrive(t)
	node := filepath.Join(t.TempDir(), "node")
	require.NoError(t, unix.Mknod(node, unix.S_IFBLK|0o600, int(unix.Mkdev(d.block().Devno.Major, d.block().Devno.Minor))))
	d.begin("sh", "-c", "exec 5<"+node+"; echo ready; read x")
	assert.Contains(t, d.uses(), "process sh (pid ")
	assert.Equal(t, facts.HeldByNobody, d.block().Exclusive, "the exclusive open does not notice")
	_, err := Hold(t.Context(), d.survey, d.at)
	assert.ErrorContains(t, err, "has a device of it open")
}

// What the kernel serves to others no process has open.
func TestExported(t *testing.T) {
	d := newDrive(t)
	root := t.TempDir()
	served := func(file, content string) {
		require.NoError(t, os.MkdirAll(filepath.Join(root, filepath.Dir(file)), 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(root, file), []byte(content+"\n"), 0o600))
	}
	n := node{kind: block, at: d.block().Devno}
	served("nvmet/subsystems/reel/namespaces/1/device_path", d.device)
	served("nvmet/subsystems/reel/namespaces/2/device_path", "(null)")
	served("target/core/fileio_0/file/udev_path", d.file)
	served("nvmet/subsystems/film/passthru/device_path", "/dev/full") // a controller as a whole
	served("target/core/fileio_1/tape/udev_path", "")
	served("target/core/fileio_1/tape/info", "Status: ACTIVATED  Max Queue Depth: 128  SectorSize: 512\n        TCM FILEIO ID: 0        File: "+d.device+"  Size: 1  Mode: O_DSYNC Async: 0")
	whole := node{kind: character, at: facts.Devno{Major: 1, Minor: 7}}
	found, err := exported(root, map[node]bool{n: true, whole: true})
	require.NoError(t, err)
	assert.Equal(t, map[node][]facts.Opener{
		n:     {{Process: "the kernel itself, as nvmet/subsystems/reel/namespaces/1"}, {Process: "the kernel itself, as target/core/fileio_1/tape"}},
		whole: {{Process: "the kernel itself, as nvmet/subsystems/film/passthru"}},
	}, found)
}

// A tape or disk that is passed on as it is, is named by where it is.
func TestExportedByPlace(t *testing.T) {
	all := scsiDevices
	t.Cleanup(func() { scsiDevices = all })
	scsiDevices = t.TempDir()
	for file, number := range map[string]string{
		"2:0:1:0/block/sdb/dev": "8:16", "2:0:1:0/scsi_generic/sg1/dev": "21:1", "3:0:1:0/scsi_tape/st0/dev": "9:0", "3:0:2:0/block/sdc/dev": "8:32",
	} {
		require.NoError(t, os.MkdirAll(filepath.Join(scsiDevices, filepath.Dir(file)), 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(scsiDevices, file), []byte(number+"\n"), 0o600))
	}
	sdb, sg1, st0 := node{kind: block, at: facts.Devno{Major: 8, Minor: 16}}, node{kind: character, at: facts.Devno{Major: 21, Minor: 1}}, node{kind: character, at: facts.Devno{Major: 9}}
	for words, want := range map[string][]node{
		"SCSI Device Bus Location: Channel ID: 0 Target ID: 1 LUN: 0 Host ID: 2\n": {sdb, sg1},
		"Channel ID: 0 Target ID: 1 LUN: 0 Host ID: PHBA Mode\n":                   {sdb, sg1, st0},
		"Channel ID: 0 Target ID: 9 LUN: 0 Host ID: 2\n":                           nil,
		"Status: DEACTIVATED": nil,
	} {
		assert.Equal(t, want, atPlace(words), words)
		root := t.TempDir()
		info := filepath.Join(root, "target/core/pscsi_0/tape/info")
		require.NoError(t, os.MkdirAll(filepath.Dir(info), 0o700))
		require.NoError(t, os.WriteFile(info, []byte(words), 0o600))
		found, err := exported(root, map[node]bool{st0: true})
		require.NoError(t, err)
		assert.Equal(t, slices.Contains(want, st0), len(found[st0]) == 1, words)
	}
}

// What is over in a moment, as udev's look, is no use.
func TestAMomentIsNoUse(t *testing.T) {
	d := newDrive(t)
	file, err := os.Open(d.device)
	require.NoError(t, err)
	time.AfterFunc(passing/3, func() { _ = file.Close() })
	assert.Empty(t, d.uses())
}

// A name that leads elsewhere is not asked in its place.
func TestTheNumberDecides(t *testing.T) {
	d := newDrive(t)
	d.survey.Blocks[0].Devno.Minor++
	assert.Contains(t, d.uses(), "it is not block device")
	assert.Equal(t, facts.NotAsked, d.block().Exclusive)
	assert.Contains(t, facts.NewIndex(d.survey).Unasked(d.at), "was not asked who holds")
	_, err := Hold(t.Context(), d.survey, d.at)
	assert.ErrorContains(t, err, "it is not block device")
}

// Functions without a driver of the host have nothing that could be asked.
func TestOnlyWhatTheHostHasIsAsked(t *testing.T) {
	s := facts.Survey{Functions: []facts.Function{{Address: facts.Address{Bus: 1}}, {Address: facts.Address{Bus: 2}, Driver: "vfio-pci"}}}
	AskAll(t.Context(), &s)
	assert.False(t, s.Functions[0].Asked || s.Functions[1].Asked)
}

// A character device goes with the function that it hangs on; that of a
// namespace with several paths with each of them.
func TestFunctionsOf(t *testing.T) {
	one, two := facts.Address{Bus: 1}, facts.Address{Bus: 2}
	s := facts.Survey{Blocks: []facts.Block{
		{Name: "nvme0n1", Devno: facts.Devno{Major: 259}, Controller: &one},
		{Name: "nvme0c1n1", Controller: &two, Holders: []string{"nvme0n1"}},
		{Name: "nvme1n1", Devno: facts.Devno{Major: 259, Minor: 1}, Controller: &two},
	}}
	for dir, want := range map[string][]facts.Address{
		"/sys/devices/pci0000:00/0000:00:04.0/0000:01:00.0/nvme/nvme0":                         {one},
		"/sys/devices/pci0000:00/0000:02:00.0/ata1/host0/target0:0:0/0:0:0:0/scsi_generic/sg0": {two},
		"/sys/devices/pci0000:00/0000:02:00.0/10000:e0:06.0/nvme/nvme7":                        {two},
		"/sys/devices/virtual/nvme-subsystem/nvme-subsys0/ng0n1":                               {one, two},
		"/sys/devices/virtual/nvme-subsystem/nvme-subsys1/ng1n1":                               {two},
		"/sys/devices/virtual/tty/tty0":                                                        nil,
		"/sys/devices/virtual/nvme-subsystem/nvme-subsys1/ng9n1":                               nil,
	} {
		assert.Equal(t, want, functionsOf(&s, dir), dir)
	}
}

// A process that hangs is named all the same, by what can be had of it.
func TestOpenerThatHangs(t *testing.T) {
	folder := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(folder, "comm"), []byte("qemu\n"), 0o600))
	require.NoError(t, unix.Mkfifo(filepath.Join(folder, "cmdline"), 0o600)) // nobody writes to it
	p := process{".." + folder}
	assert.Equal(t, facts.Opener{Process: "qemu (pid .." + folder + ")"}, p.opener(t.Context()))
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	assert.Empty(t, p.opener(ended).Guest)
	require.NoError(t, os.Remove(filepath.Join(folder, "cmdline")))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "cmdline"), []byte("qemu\x00-name\x00guest=grading"), 0o600))
	assert.Equal(t, "grading", p.opener(t.Context()).Guest)
}

func TestGuestNamed(t *testing.T) {
	for line, want := range map[string]string{
		"qemu -name guest=grading,debug-threads=on -S": "grading",
		"qemu -S -name guest=a,,b,debug-threads=on":    "a,b",
		"qemu -name grading":                           "",
		"qemu -name":                                   "",
		"":                                             "",
	} {
		assert.Equal(t, want, guestNamed(strings.Split(line, " ")), line)
	}
}

// mapsAndCloses maps a file, closes it and stays.
const mapsAndCloses = "import mmap,os,sys; f=os.open(sys.argv[1],os.O_RDWR); m=mmap.mmap(f,4096); os.close(f); [os.close(int(n)) for n in os.listdir('/proc/self/fd') if int(n)>2 and os.path.realpath('/proc/self/fd/'+n)==os.path.realpath(sys.argv[1])]; os.write(1,b'ready\\n'); sys.stdin.read()"

// What was closed is used as long as it is mapped.
func TestMappedAndClosed(t *testing.T) {
	if _, err := exec.LookPath("python3"); err != nil {
		outside.Missing(t, "python3")
	}
	d := newDrive(t)
	d.begin("python3", "-c", mapsAndCloses, d.device)
	assert.Contains(t, d.uses(), "process python3 (pid ")
	assert.Equal(t, facts.HeldByNobody, d.block().Exclusive, "the exclusive open does not notice")
	_, err := Hold(t.Context(), d.survey, d.at)
	assert.ErrorContains(t, err, "has a device of it open")
}

// A program may have a function itself, past whatever driver it has.
func TestFunctionThatAProcessHas(t *testing.T) {
	visible(t)
	dirs, err := filepath.Glob("/sys/bus/pci/devices/*")
	require.NoError(t, err)
	tried := map[string]bool{}
	for _, dir := range dirs {
		at, err := facts.ParseAddress(filepath.Base(dir))
		require.NoError(t, err)
		names, err := os.ReadDir(dir)
		require.NoError(t, err)
		for _, name := range names {
			d := &drive{TB: t, at: at, survey: &facts.Survey{Functions: []facts.Function{{Address: at, Driver: "nvme", Class: facts.ClassNVMe}}}}
			file, err := os.Open(filepath.Join(dir, name.Name()))
			if err != nil || name.IsDir() || tried[name.Name()] || name.Type() == os.ModeSymlink {
				continue
			}
			tried[name.Name()] = true
			has := d.uses() != ""
			require.NoError(t, file.Close())
			itself := name.Name() == "config" || name.Name() == "rom" || strings.HasPrefix(name.Name(), "resource") && name.Name() != "resource"
			assert.Equal(t, itself, has, name.Name())
		}
	}
	if !tried["config"] {
		outside.Missing(t, "a PCI function with registers")
	}
}
