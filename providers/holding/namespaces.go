package holding

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/moby/sys/mountinfo"
	"golang.org/x/sys/unix"
)

// namespace is what one mount namespace has mounted, as one process of it sees.
type namespace struct {
	of     process
	mounts []*mountinfo.Info
}

// namespaces gives this process's own mount namespace and all others that a
// process is in. One that only a file or an open descriptor keeps shows itself
// by the exclusive open alone.
type namespaces struct {
	own    []*mountinfo.Info
	others []namespace
	slow   map[string][]string // by namespace: mount points of network filesystems
	in     map[process]string  // which namespace a process is in
}

// readNamespaces reads the mounts once for each namespace and root directory in
// it: a process whose root was changed does not see all.
func readNamespaces(ctx context.Context, list []process) (namespaces, error) {
	all := namespaces{slow: map[string][]string{}, in: map[process]string{}}
	own, err := os.Readlink("/proc/self/ns/mnt")
	if err == nil {
		all.own, err = mountinfo.GetMounts(nil)
	}
	if err != nil {
		return all, fmt.Errorf("read mounts: %w", err)
	}
	all.slow[own] = networked(all.own)
	read := map[[2]string]bool{}
	var unread error // the first of perhaps many alike
	for _, p := range list {
		if ctx.Err() != nil {
			return all, fmt.Errorf("read mounts of every namespace: %w", ctx.Err())
		}
		name, root, err := p.place()
		if err == nil && name != own && name != "" && !read[[2]string{name, root}] {
			var mounts []*mountinfo.Info
			if mounts, err = p.mounts(); err == nil && len(mounts) > 0 {
				read[[2]string{name, root}] = true
				all.others = append(all.others, namespace{p, mounts})
				all.slow[name] = append(all.slow[name], networked(mounts)...)
			}
		}
		if err != nil && !vanished(err) {
			unread = cmp.Or(unread, fmt.Errorf("read mounts that process %s sees: %w", p.pid, err))
		}
		all.in[p] = name
	}
	return all, unread
}

// place gives the mount namespace of a process and its root directory.
func (p process) place() (name, root string, err error) {
	if name, err = os.Readlink(p.path("ns/mnt")); err == nil {
		root, err = os.Readlink(p.path("root"))
	}
	return name, root, err
}

// mounts gives what a process sees mounted; none of one that has ended but is
// still waited for.
func (p process) mounts() ([]*mountinfo.Info, error) {
	file, err := os.Open(p.path("mountinfo"))
	if err != nil {
		if errors.Is(err, unix.EINVAL) {
			return nil, nil
		}
		return nil, err
	}
	defer file.Close()
	return mountinfo.GetMountsFromReader(file, nil)
}

// networked gives where filesystems are mounted at which a look may wait for
// somebody else.
func networked(list []*mountinfo.Info) []string {
	var places []string
	for _, m := range list {
		kind, _, _ := strings.Cut(m.FSType, ".")
		switch kind {
		case "nfs", "nfs4", "cifs", "smb3", "smbfs", "ceph", "9p", "afs", "fuse", "fuseblk", "virtiofs", "lustre", "glusterfs", "autofs":
			places = append(places, m.Mountpoint)
		}
	}
	return places
}

// stays tells whether a mount of another namespace would still be there when
// everything of its filesystem was unmounted in this one. Unmounting reaches
// those places below which the same is mounted on a peer or slave of the mount
// below (Linux fs/pnode.c, propagate_umount; mount_namespaces(7)).
func (all namespaces) stays(m *mountinfo.Info, among []*mountinfo.Info, masters map[string]string) bool {
	below := parent(m, among)
	for _, ours := range all.own {
		if ours.Major != m.Major || ours.Minor != m.Minor {
			continue
		}
		under := parent(ours, all.own)
		if under == nil || below == nil {
			// The root of a namespace: its own relation is all there is to go by.
			if under == nil && below == nil && receives(m, ours, masters) {
				return false
			}
			continue
		}
		if receives(below, under, masters) && within(m, below) == within(ours, under) {
			return false
		}
	}
	return true
}

func parent(m *mountinfo.Info, among []*mountinfo.Info) *mountinfo.Info {
	for _, other := range among {
		if other.ID == m.Parent && other != m {
			return other
		}
	}
	return nil
}

// within gives the place of a mount in the filesystem that it is mounted on.
func within(m, below *mountinfo.Info) string {
	rest := strings.TrimPrefix(m.Mountpoint, strings.TrimSuffix(below.Mountpoint, "/"))
	return strings.TrimSuffix(below.Root, "/") + rest
}

// receives tells whether what happens on one mount also happens on the other:
// they are peers, or it is a slave of that one, at whatever distance.
func receives(m, from *mountinfo.Info, masters map[string]string) bool {
	source := tagged(from, "shared:")
	if source == "" {
		return false
	}
	group := tagged(m, "shared:")
	if group == "" {
		group = tagged(m, "master:")
	}
	for range 64 { // a chain longer than that is not followed
		if group == source {
			return true
		}
		if group = masters[group]; group == "" {
			return false
		}
	}
	return false
}

// masters gives for each peer group the one that it is a slave of.
func (all namespaces) masters() map[string]string {
	of := map[string]string{}
	note := func(list []*mountinfo.Info) {
		for _, m := range list {
			if group, master := tagged(m, "shared:"), tagged(m, "master:"); group != "" && master != "" {
				of[group] = master
			}
		}
	}
	note(all.own)
	for _, n := range all.others {
		note(n.mounts)
	}
	return of
}

// tagged gives the number of an optional field (proc_pid_mountinfo(5)).
func tagged(m *mountinfo.Info, tag string) string {
	for field := range strings.FieldsSeq(m.Optional) {
		if number, found := strings.CutPrefix(field, tag); found {
			return number
		}
	}
	return ""
}
