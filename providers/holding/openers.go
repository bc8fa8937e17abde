package holding

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// node is what a device node leads to, or a file of the kernel's by which a process
// has a function itself.
type node struct {
	kind kind
	at   facts.Devno
	file uint64 // number of its inode, the same in every sysfs; at is zero then
}

type kind byte

const (
	other     kind = 0
	block     kind = 'b'
	character kind = 'c'
	attribute kind = 'a'
)

func kindOf(mode uint32) kind {
	switch mode & unix.S_IFMT {
	case unix.S_IFBLK:
		return block
	case unix.S_IFCHR:
		return character
	}
	return other
}

// maxOpeners is how many processes are named for one device.
const maxOpeners = 8

// openers finds the processes that have devices open, or mapped, which they may have
// closed since: neither mounts nor holders show those. It goes by device numbers, as a
// process may have other names for them. What the kernel has open to serve it to
// others counts too.
func openers(ctx context.Context, of map[node]bool, list []process, spaces namespaces) (map[node][]facts.Opener, error) {
	found, unread := exported(configfs, of) // the first error of perhaps many alike
	looked := map[string]node{}
	for _, p := range list {
		if ctx.Err() != nil {
			return found, fmt.Errorf("look for open files: %w", ctx.Err())
		}
		slow := spaces.slow[spaces.in[p]]
		names, err := p.files()
		mapped, errMapped := p.mapped(ctx, slow, looked)
		unread = cmp.Or(unread, err, errMapped)
		seen := map[node]bool{}
		for _, name := range names {
			mapped = append(mapped, p.open(name, slow))
		}
		for _, n := range mapped {
			if whole := (node{kind: n.kind, at: facts.Devno{Major: n.at.Major, Minor: anyMinor}}); of[whole] {
				n = whole
			}
			if of[n] && !seen[n] && len(found[n]) < maxOpeners {
				seen[n] = true
				found[n] = append(found[n], p.opener(ctx))
			}
		}
	}
	return found, unread
}

// files lists a process's open files; none when it has ended.
func (p process) files() ([]string, error) {
	dir, err := os.Open(p.path("fd"))
	if err == nil {
		defer dir.Close()
		var names []string
		if names, err = dir.Readdirnames(-1); err == nil {
			return names, nil
		}
	}
	if vanished(err) {
		return nil, nil
	}
	return nil, fmt.Errorf("look for open files of process %s: %w", p.pid, err)
}

// configfs is where the kernel's servers are set up
// (Documentation/filesystems/configfs.rst).
const configfs = "/sys/kernel/config"

// open tells what device an open file is; of kind other where it is none, as one that
// was closed meanwhile is.
func (p process) open(name string, slow []string) node {
	link := p.path("fd/" + name)
	file, err := os.Readlink(link)
	if err != nil {
		return node{}
	}
	n, _ := nodeAt(link, file, slow)
	return n
}

// nodeAt tells what device a link of /proc leads to, by what the file calls itself.
// What lies on a network filesystem, mounted at one of the slow places, is not looked
// at: that may never return.
func nodeAt(link, file string, slow []string) (node, error) {
	if !strings.HasPrefix(file, "/") || strings.HasPrefix(file, "/memfd:") {
		return node{}, nil
	}
	if !strings.HasPrefix(file, "/dev/") {
		for _, mount := range slow {
			if strings.HasPrefix(file, strings.TrimSuffix(mount, "/")+"/") {
				return node{}, nil
			}
		}
	}
	var stat unix.Stat_t
	if err := unix.Stat(link, &stat); err != nil {
		return node{}, err
	}
	if kind := kindOf(stat.Mode); kind != other {
		return node{kind: kind, at: devno(stat.Rdev)}, nil
	}
	var of unix.Statfs_t
	if strings.Contains(file, "/devices/pci") && unix.Statfs(link, &of) == nil && of.Type == unix.SYSFS_MAGIC {
		return node{kind: attribute, file: stat.Ino}, nil
	}
	return node{}, nil
}

// process is a process by the name of its folder below /proc.
type process struct{ pid string }

func (p process) path(name string) string { return "/proc/" + p.pid + "/" + name }

// processes lists those there are. Tests leave out what is hidden from them.
var processes = func() ([]process, error) {
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return nil, fmt.Errorf("list processes: %w", err)
	}
	var list []process
	for _, e := range entries {
		if name := e.Name(); name[0] >= '0' && name[0] <= '9' {
			list = append(list, process{name})
		}
	}
	return list, nil
}

// title names a process for people. It may call itself what it likes, in 15
// bytes (proc(5), /proc/pid/comm).
func (p process) title() string {
	name, _ := os.ReadFile(p.path("comm"))
	clean := strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == '\ufffd' {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(strings.TrimSuffix(string(name), "\n"), "?"))
	return fmt.Sprintf("%s (pid %s)", clean, p.pid)
}

// tells is how long a process's command line is waited for: one that hangs may keep
// it for ever (Linux fs/proc/base.c: it is read from its memory, under a lock). Then it
// counts as nobody's guest.
const tells = time.Second

func (p process) opener(ctx context.Context) facts.Opener {
	guest := make(chan string, 1)
	go func() { guest <- p.guest() }()
	made := facts.Opener{Process: p.title()}
	select {
	case made.Guest = <-guest:
	case <-ctx.Done():
	case <-time.After(tells):
	}
	return made
}

// maxCommand bounds what is read of a command line; libvirt puts the name first.
const maxCommand = 64 << 10

// guest gives the guest that a QEMU says it runs: libvirt starts it with
// -name guest=NAME,..., a comma in the name written twice (measured with libvirt
// 9.0.0; QEMU, "-name").
func (p process) guest() string {
	file, err := os.Open(p.path("cmdline"))
	if err != nil {
		return ""
	}
	defer file.Close()
	content, err := io.ReadAll(io.LimitReader(file, maxCommand))
	if err != nil {
		return ""
	}
	return guestNamed(strings.Split(string(content), "\x00"))
}

func guestNamed(arguments []string) string {
	for i, argument := range arguments {
		if argument != "-name" || i+1 == len(arguments) {
			continue
		}
		value, found := strings.CutPrefix(arguments[i+1], "guest=")
		if !found {
			return ""
		}
		value = strings.ReplaceAll(value, ",,", "\x00")
		value, _, _ = strings.Cut(value, ",")
		return strings.ReplaceAll(value, "\x00", ",")
	}
	return ""
}

// vanished tells whether a look at a process failed since it has ended.
func vanished(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, unix.ESRCH)
}

// Openers names the processes that have one of these block devices open.
func Openers(ctx context.Context, devices []facts.Devno) ([]string, error) {
	wanted := map[node]bool{}
	for _, d := range devices {
		wanted[node{kind: block, at: d}] = true
	}
	found, err := opened(ctx, wanted, process{})
	var names []string
	for _, list := range found {
		for _, o := range list {
			if !slices.Contains(names, o.Process) {
				names = append(names, o.Process)
			}
		}
	}
	slices.Sort(names)
	return names, err
}

// opened finds the processes but one that have devices open.
func opened(ctx context.Context, wanted map[node]bool, but process) (map[node][]facts.Opener, error) {
	list, err := processes()
	if err != nil {
		return nil, err
	}
	list = slices.DeleteFunc(list, func(p process) bool { return p == but })
	spaces, unread := readNamespaces(ctx, list)
	found, err := openers(ctx, wanted, list, spaces)
	return found, errors.Join(unread, err)
}
