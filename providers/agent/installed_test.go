package agent

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os/exec"
	"path"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

// staged is a guest with files and programs. What is not in it is not there.
type staged struct {
	*spoken
	files    map[string]string // by path; folders are made of their paths
	programs map[string]string // what a call says; "!" before it: it ends with code 1
	slow     time.Duration     // each command takes so long

	opened  []string
	calls   []string // of programs
	at      map[int64]int
	last    int64
	ended   map[int64]string
	written bool // something was asked for that changes the guest
}

func (s *staged) AskAgent(ctx context.Context, guest, command string, within time.Duration) (string, error) {
	if s.slow > 0 {
		time.Sleep(min(s.slow, within))
		if s.slow > within {
			return "", mute
		}
	}
	var c struct {
		Execute   string `json:"execute"`
		Arguments struct {
			Path, Mode         string
			Arg                []string
			Handle, Count, PID int64
		} `json:"arguments"`
	}
	if err := json.Unmarshal([]byte(command), &c); err != nil {
		return "", err
	}
	a := c.Arguments
	reply := func(v any) (string, error) {
		b, err := json.Marshal(map[string]any{"return": v})
		return string(b), err
	}
	if list := s.replies[c.Execute]; list != nil {
		return s.spoken.AskAgent(ctx, guest, command, within)
	}
	switch c.Execute {
	case "guest-file-open":
		s.written = s.written || a.Mode != "rb"
		if _, there := s.files[a.Path]; !there {
			return "", fmt.Errorf("unable to execute QEMU agent command 'guest-file-open': failed to open file '%s': Datei oder Verzeichnis nicht gefunden", a.Path)
		}
		s.opened = append(s.opened, a.Path)
		return reply(len(s.opened))
	case "guest-file-read":
		rest := s.files[s.opened[a.Handle-1]][s.at[a.Handle]:]
		part := []byte(rest[:min(len(rest), int(a.Count))])
		s.at[a.Handle] += len(part)
		return reply(map[string]any{"count": len(part), "buf-b64": part, "eof": len(part) == len(rest)})
	case "guest-file-write", "guest-file-flush":
		s.written = true
	case "guest-exec":
		s.last++
		s.calls = append(s.calls, strings.Join(append([]string{a.Path}, a.Arg...), " "))
		s.ended[s.last] = s.says(append([]string{a.Path}, a.Arg...))
		return reply(map[string]any{"pid": s.last})
	case "guest-exec-status":
		out, failed := strings.CutPrefix(s.ended[a.PID], "!")
		code := 0
		if failed {
			code = 1
		}
		if out == "exit 77" {
			out, code = "", 77
		}
		return reply(map[string]any{"exited": true, "exitcode": code, "out-data": []byte(out)})
	}
	return s.spoken.AskAgent(ctx, guest, command, within)
}

func (s *staged) says(call []string) string {
	if out, known := s.programs[strings.Join(call, " ")]; known {
		return out
	}
	if call[0] != "ls" {
		return "!\x84hnliches gibt es nicht" // a code page of Windows
	}
	folder := strings.TrimSuffix(call[len(call)-1], "/") + "/"
	names := map[string]bool{}
	for name := range s.files {
		if rest, below := strings.CutPrefix(name, folder); below {
			first, _, _ := strings.Cut(rest, "/")
			names[first] = true
		}
	}
	if len(names) == 0 {
		return "!nicht gefunden"
	}
	var list string
	for name := range names {
		list += name + "\n"
	}
	return list
}

func stagedGuest(system string, files, programs map[string]string) *staged {
	s := &staged{spoken: &spoken{replies: map[string][]string{}}, files: map[string]string{"/usr/x": "x", "/etc/x": "x"}, programs: programs, at: map[int64]int{}, ended: map[int64]string{}}
	for name, text := range files {
		s.files[name] = text
	}
	if system != "" {
		s.replies["guest-get-osinfo"] = []string{`{"return": ` + system + `}`}
	}
	return s
}

// answers gives what was seen of each question: "driver present".
func answers(i facts.Installed) string {
	var list []string
	for _, a := range i.Answers {
		list = append(list, string(a.Question)+" "+string(a.Says))
	}
	return strings.Join(list, ", ")
}

const (
	rootID = "7f9ad0a5-2f5f-4a8e-9c53-111111111111"
	line   = "BOOT_IMAGE=/boot/vmlinuz-6.1.0-56-amd64 root=UUID=" + rootID + " ro quiet"
)

// A grub.cfg of the form that grub-mkconfig writes (GRUB 2.06's 00_header, 10_linux).
const grubCfg = `set default="0"
menuentry 'Debian GNU/Linux' --class debian {
	search --no-floppy --fs-uuid --set=root ` + rootID + `
	linux	/boot/vmlinuz-6.1.0-56-amd64 root=UUID=` + rootID + ` ro quiet
	initrd	/boot/initrd.img-6.1.0-56-amd64
}
`

func findmnt(at string) string {
	return "findmnt --noheadings --raw --output TARGET,FSROOT,UUID --target " + at
}

// cpioOf makes an initramfs by cpio(1) and gzip(1).
func cpioOf(t *testing.T, names ...string) string {
	for _, program := range []string{"cpio", "gzip"} {
		if _, err := exec.LookPath(program); err != nil {
			outside.Missing(t, program)
		}
	}
	folder := t.TempDir()
	script := `set -e; for n in "$@"; do mkdir -p "${n%/*}"; head -c 3000000 /dev/urandom >"$n"; done; find . | cpio -o -H newc --quiet | gzip -1`
	c := exec.Command("sh", append([]string{"-c", script, "sh"}, names...)...)
	c.Dir = folder
	out, err := c.Output()
	require.NoError(t, err)
	return string(out)
}

func TestInstalledLinux(t *testing.T) {
	const modules = "usr/lib/modules/6.1.0-56-amd64/kernel/drivers/nvme/host/nvme.ko"
	with, without := cpioOf(t, modules), cpioOf(t, strings.Replace(modules, "nvme.ko", "nvme-core.ko", 1))
	other := cpioOf(t, strings.Replace(modules, "6.1.0-56", "6.1.0-1", 1))
	good := map[string]string{
		"/etc/fstab": "UUID=" + rootID + " / ext4 errors=remount-ro 0 1\n", "/proc/cmdline": line + "\n",
		"/boot/grub/grub.cfg": grubCfg, "/boot/vmlinuz-6.1.0-56-amd64": "MZ", "/boot/initrd.img-6.1.0-56-amd64": with,
		"/lib/modules/6.1.0-56-amd64/modules.builtin": "kernel/fs/ext4/ext4.ko\n",
	}
	root := map[string]string{findmnt("/boot/grub"): "/ / " + rootID + "\n", findmnt("/"): "/ / " + rootID + "\n"}
	const fine = "driver present, names present, loader present"
	for name, c := range map[string]struct {
		files, programs map[string]string // "-": it is not there
		says, seen      string
	}{
		"good":                   {nil, nil, fine, "in its initramfs"},
		"built in":               {map[string]string{"/lib/modules/6.1.0-56-amd64/modules.builtin": "kernel/drivers/nvme/host/nvme.ko\n", "/boot/initrd.img-6.1.0-56-amd64": without}, nil, fine, "built in"},
		"no driver":              {map[string]string{"/boot/initrd.img-6.1.0-56-amd64": without}, nil, "driver absent, names present, loader present", "neither built in nor in its initramfs"},
		"of another kernel":      {map[string]string{"/boot/initrd.img-6.1.0-56-amd64": other}, nil, "driver unknown, names present, loader present", "for another kernel"},
		"initramfs cut":          {map[string]string{"/boot/initrd.img-6.1.0-56-amd64": without[:len(without)-9000]}, nil, "driver unknown, names present, loader present", "initrd.img-6.1.0-56-amd64"},
		"initramfs missing":      {map[string]string{"/boot/initrd.img-6.1.0-56-amd64": "-"}, nil, "driver unknown, names present, loader absent", "not there or empty"},
		"kernel empty":           {map[string]string{"/boot/vmlinuz-6.1.0-56-amd64": ""}, nil, "driver present, names present, loader absent", "not there or empty"},
		"by place":               {map[string]string{"/etc/fstab": "/dev/vda1 / ext4 defaults 0 1\n"}, nil, "driver present, names absent, loader present", "/dev/vda1"},
		"crypttab by place":      {map[string]string{"/etc/crypttab": "swap /dev/vda2 /dev/urandom swap\n"}, nil, "driver present, names absent, loader present", "/dev/vda2"},
		"line by place":          {map[string]string{"/proc/cmdline": "root=/dev/vda1"}, nil, "driver present, names absent, loader present", "/dev/vda1"},
		"next line by place":     {map[string]string{"/boot/grub/grub.cfg": strings.Replace(grubCfg, "root=UUID="+rootID, "root=/dev/sda1", 1)}, nil, "driver present, names absent, loader present", "/dev/sda1"},
		"barred":                 {map[string]string{"/etc/modprobe.d/own.conf": "blacklist nvme\n"}, nil, "driver unknown, names present, loader present", "blacklist nvme"},
		"unit by place":          {map[string]string{"/etc/systemd/system/srv.mount": "[Mount]\nWhat=/dev/vdb1\nWhere=/srv\n"}, nil, "driver present, names absent, loader present", "/dev/vdb1"},
		"no builtin list":        {map[string]string{"/lib/modules/6.1.0-56-amd64/modules.builtin": "", "/boot/initrd.img-6.1.0-56-amd64": without}, nil, "driver unknown, names present, loader present", "not known what it has built in"},
		"no loader":              {map[string]string{"/boot/grub/grub.cfg": "-"}, nil, "driver unknown, names present, loader unknown", "no file of a loader"},
		"not known which":        {map[string]string{"/boot/grub/grub.cfg": strings.Replace(grubCfg, `"0"`, `"$other"`, 1) + "menuentry 'Firmware' {\n\tfwsetup\n}\n"}, nil, fine, "in its initramfs"},
		"not known which of two": {map[string]string{"/boot/grub/grub.cfg": strings.Replace(grubCfg, `"0"`, `"$other"`, 1) + "menuentry 'Old' {\n\tlinux /boot/vmlinuz-5.10 root=UUID=" + rootID + "\n\tinitrd /boot/old\n}\n"}, nil, "driver unknown, names present, loader unknown", "which is not there"},
		"two loaders":            {map[string]string{"/boot/grub2/grub.cfg": grubCfg}, nil, "driver unknown, names present, loader unknown", "several loaders"},
		"systemd-boot beside it": {map[string]string{"/boot/efi/loader/loader.conf": "default a\n"}, nil, "driver unknown, names present, loader unknown", "/boot/efi/loader/loader.conf"},
		"a kernel of its own":    {map[string]string{"/efi/EFI/Linux/larch.efi": "MZ"}, nil, "driver unknown, names present, loader unknown", "/efi/EFI/Linux/larch.efi"},
		"ESP is not listed":      {map[string]string{"/boot/efi/x": ""}, map[string]string{"ls -1 -A -- /boot/efi": "!no"}, "driver unknown, names present, loader unknown", "loader.conf"},
		"empty menu":             {map[string]string{"/boot/grub/grub.cfg": "\n"}, nil, "driver unknown, names present, loader unknown", "offers no kernel"},
		"another filesystem":     {nil, map[string]string{findmnt("/boot/grub"): "/ / 99\n", findmnt("/"): "/ / 99\n"}, "driver unknown, names present, loader unknown", "not the one with"},
		"a subvolume":            {nil, map[string]string{findmnt("/boot/grub"): "/ /@ " + rootID + "\n"}, "driver unknown, names present, loader unknown", "a part of a filesystem"},
		"no findmnt":             {nil, map[string]string{findmnt("/boot/grub"): "!not found"}, "driver unknown, names present, loader unknown", "findmnt"},
		"folder is not listed":   {map[string]string{}, map[string]string{"ls -1 -A -- /etc": "!no"}, "driver unknown, names unknown, loader present", "crypttab"},
		"folder seems empty":     {map[string]string{}, map[string]string{"ls -1 -A -- /etc": ""}, "driver unknown, names unknown, loader present", "crypttab"},
		"fstab is binary":        {map[string]string{"/etc/fstab": "\xff\xfe\x00"}, nil, "driver present, names unknown, loader present", "/etc/fstab"},
		"fstab is huge":          {map[string]string{"/etc/fstab": strings.Repeat("#\n", textMost)}, nil, "driver present, names unknown, loader present", "bytes that are read"},
	} {
		t.Run(name, func(t *testing.T) {
			s := stagedGuest("", good, root)
			s.programs = map[string]string{}
			for k, v := range root {
				s.programs[k] = v
			}
			for k, v := range c.programs {
				s.programs[k] = v
			}
			for k, v := range c.files {
				if s.files[k] = v; v == "-" {
					delete(s.files, k)
				}
			}
			i := Installed(t.Context(), s, "grading")
			assert.Equal(t, c.says, answers(i), "%+v", i.Answers)
			assert.Contains(t, fmt.Sprintf("%+v", i.Answers), c.seen)
			assert.Equal(t, "linux Debian GNU/Linux 12 (bookworm) grading", i.Kind+" "+i.Name+" "+i.Guest)
			assert.WithinDuration(t, time.Now(), i.AskedAt, time.Minute)
			assert.False(t, s.written)
			for _, a := range i.Answers {
				assert.Less(t, len(a.Seen), 3*mostWords)
				assert.False(t, a.Mendable)
			}
		})
	}
}

// A guest has little time to be asked: nothing is asked twice, and of a folder that is
// seen not to be there nothing more.
func TestInstalledAsksOnce(t *testing.T) {
	s := stagedGuest("", map[string]string{"/etc/fstab": "", "/boot/grub/grub.cfg": grubCfg, "/boot/vmlinuz-6.1.0-56-amd64": "MZ", "/boot/initrd.img-6.1.0-56-amd64": "x", "/boot/efi/EFI/BOOT/BOOTX64.EFI": "MZ"},
		map[string]string{findmnt("/boot/grub"): "/ / " + rootID + "\n"})
	Installed(t.Context(), s, "grading")
	missing := []string{"/boot/loader/", "/boot/EFI/", "/boot/extlinux/", "/efi/EFI/", "/etc/default/", "/etc/systemd/", "/etc/kernel/"}
	for i, call := range s.calls {
		assert.NotContains(t, s.calls[:i], call)
		for _, folder := range missing {
			assert.NotContains(t, call+"/", "-- "+folder)
		}
	}
	assert.Contains(t, s.calls, "ls -1 -A -- /boot/efi/EFI/Linux")
}

// Agents that say nothing, or not this, leave everything open.
func TestInstalledOfNobody(t *testing.T) {
	block := func(names ...string) string {
		enabled := slices.DeleteFunc(append([]string{"guest-get-osinfo"}, Needs...), func(n string) bool { return slices.Contains(names, n) })
		return `{"return": {"supported_commands": [` + supported(enabled...) + `]}}`
	}
	const strange = `{"return": {"id": "freebsd", "kernel-version": "FreeBSD 13.2", "machine": "amd64"}}`
	const windows = `{"return": {"id": "mswindows", "pretty-name": "Windows", "kernel-version": "10.0", "machine": "x86_64"}}`
	for name, c := range map[string]struct {
		replies   map[string][]string
		kind, gap string
	}{
		"silent":           {map[string][]string{"guest-sync": {"mute"}}, "", "no agent: Guest agent is not responding"},
		"off":              {map[string][]string{"guest-sync": {"off"}}, "", "no agent: Requested operation"},
		"no answer":        {map[string][]string{"guest-info": {`{"return": []}`}}, "", "what is no answer to that"},
		"osinfo blocked":   {map[string][]string{"guest-info": {block("guest-get-osinfo")}}, "", "may not do guest-get-osinfo"},
		"files blocked":    {map[string][]string{"guest-info": {block("guest-file-open", "guest-file-read")}}, "linux", "may not do guest-file-open, guest-file-read: the guest's own settings block that"},
		"programs blocked": {map[string][]string{"guest-info": {block("guest-exec")}, "guest-get-osinfo": {windows}}, "windows", "may not do guest-exec: the guest's own settings block that"},
		"another system":   {map[string][]string{"guest-get-osinfo": {strange}}, "", "neither Linux nor Windows"},
	} {
		t.Run(name, func(t *testing.T) {
			i := Installed(t.Context(), &spoken{replies: c.replies}, "grading")
			assert.Equal(t, c.kind, i.Kind)
			assert.Contains(t, i.Gap, c.gap)
			assert.Empty(t, i.Answers)
			assert.Equal(t, facts.Unknown, i.Answer(facts.AsksDriver).Says)
		})
	}
}

// A guest of which programs are blocked, but no files, is asked for what is in files:
// nothing that is not there is then seen not to be there.
func TestInstalledWithoutPrograms(t *testing.T) {
	s := stagedGuest("", map[string]string{"/etc/fstab": "UUID=1 / ext4 x 0 1\n", "/proc/cmdline": line, "/boot/grub/grub.cfg": grubCfg}, nil)
	s.replies["guest-info"] = []string{`{"return": {"supported_commands": [` + supported("guest-get-osinfo", "guest-file-close", "guest-file-open", "guest-file-read") + `]}}`}
	i := Installed(t.Context(), s, "grading")
	assert.Equal(t, "driver unknown, names unknown, loader unknown", answers(i))
}

// An agent that falls silent in the middle is not asked on, and a slow one not longer
// than a look may take.
func TestInstalledTakesNoLonger(t *testing.T) {
	files := map[string]string{"/etc/fstab": "UUID=1 / ext4 x 0 1\n", "/proc/cmdline": line, "/boot/grub/grub.cfg": grubCfg}
	for _, slow := range []time.Duration{0, 4 * time.Second, 18 * time.Second, time.Minute} {
		synctest.Test(t, func(t *testing.T) {
			s := stagedGuest("", files, nil)
			s.slow = slow
			if slow == 0 {
				s.replies["guest-exec"] = []string{"mute"}
			}
			began := time.Now()
			i := Installed(t.Context(), s, "grading")
			assert.LessOrEqual(t, time.Since(began), lookWithin+5*time.Second)
			for _, a := range i.Answers {
				assert.Equal(t, facts.Unknown, a.Says, a.Seen)
			}
			assert.True(t, i.Gap != "" || len(i.Answers) == 3)
			if slow == 0 {
				assert.Equal(t, 1, strings.Count(strings.Join(s.asked, "\n"), `"guest-exec"`), "one that was silent is not asked again")
			}
		})
	}
}

func TestLargeFiles(t *testing.T) {
	content := strings.Repeat("0123456789abcdef", 3*largeBytes/16) + "end"
	s := stagedGuest("", map[string]string{"/large": content}, nil)
	g, err := Meet(t.Context(), s, "grading")
	require.NoError(t, err)
	require.NoError(t, g.open(t.Context(), "/large", "rb", func(handle int64) error {
		f := &large{ctx: t.Context(), g: g, handle: handle}
		b := make([]byte, 100)
		for _, at := range []int64{0, largeBytes - 50, largeBytes - 90, 2*largeBytes + 7, largeBytes + 1, 3*largeBytes - 97} {
			_, err := f.ReadAt(b, at)
			require.NoError(t, err)
			assert.Equal(t, content[at:at+100], string(b), path.Join("at", fmt.Sprint(at)))
		}
		_, err := f.ReadAt(b, 5)
		assert.ErrorContains(t, err, "not read again")
		n, err := f.ReadAt(b, 3*largeBytes)
		assert.EqualError(t, err, "EOF")
		assert.Equal(t, "end", string(bytes.TrimRight(b[:n], "\x00")))
		_, err = f.ReadAt(b, largeMost)
		assert.ErrorContains(t, err, "more than")
		return nil
	}))
	s.replies["guest-file-read"] = []string{`{"return": {"count": 0, "buf-b64": "", "eof": false}}`}
	err = g.open(t.Context(), "/large", "rb", func(handle int64) error {
		_, err := (&large{ctx: t.Context(), g: g, handle: handle}).ReadAt(make([]byte, 1), 0)
		return err
	})
	assert.ErrorContains(t, err, "neither goes on nor ends")
	assert.False(t, errors.Is(err, mute))
}
