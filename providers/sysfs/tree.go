package sysfs

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"github.com/moby/sys/mountinfo"

	"lendkeep/providers/archive"
	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// Tree is the root directory of a host: this machine's own, a captured
// directory or an archive.
type Tree struct {
	fsys fs.ReadLinkFS
	live string // directory of this machine, "" for one that cannot be written to

	write func(path, text string) error // one write(2) to a file that is there
	load  func(ctx context.Context, module string) error
	hold  func(ctx context.Context, at facts.Address) (release func(), err error) // keeps others from a function's drives
}

// Open opens a root directory: "/", a captured directory, or an archive, which
// is told by its name ending in .txtar.
func Open(root string) (Tree, error) {
	if strings.HasSuffix(root, ".txtar") {
		captured, err := archive.Open(root)
		if err != nil {
			return Tree{}, err
		}
		return OpenFS(captured)
	}
	stat, err := os.Stat(root)
	if err != nil {
		return Tree{}, fmt.Errorf("open root directory: %w", err)
	}
	if !stat.IsDir() {
		return Tree{}, fmt.Errorf("open root directory %s: it is neither a directory nor a .txtar archive", root)
	}
	if root == "/" {
		return Machine(), nil
	}
	return Tree{fsys: files.Dir(root), live: root, write: writeOnce, load: modprobe, hold: nobody}, nil
}

// Machine is the tree of this machine.
func Machine() Tree {
	tree := Tree{fsys: files.Dir("/"), live: "/", write: writeOnce, load: modprobe}
	tree.hold = tree.holdDrives
	return tree
}

// OpenFS opens a root directory that is a file system, which has to know
// symbolic links. Such a tree can only be read.
func OpenFS(fsys fs.FS) (Tree, error) {
	links, ok := fsys.(fs.ReadLinkFS)
	if !ok {
		return Tree{}, errors.New("open root directory: the file system knows no symbolic links")
	}
	return Tree{fsys: links}, nil
}

// FS gives the root directory itself, for those who read other files of the
// same host.
func (t Tree) FS() fs.FS { return t.fsys }

// Root gives it for those who read what is installed of lendkeep.
func (t Tree) Root() files.Root { return files.Root{FS: t.fsys, Captured: t.live != "/"} }

// Recorded gives the same tree, and the recording of what is read from it from
// now on.
func (t Tree) Recorded() (Tree, *archive.Recording) {
	recording := archive.Record(t.fsys)
	t.fsys = recording
	return t, recording
}

// Survey reads every fact but libvirt's. named are the paths that somebody
// else mentions: disks of guests, targets of pools. What cannot be read is a
// gap in the survey; an error means that there is no survey, since ctx ended.
func (t Tree) Survey(ctx context.Context, named []string) (facts.Survey, error) {
	s := t.begin()
	return s.take(ctx, s.readMachine, s.listMounts, s.readFunctions, s.readBlocks, s.readNVMe, s.readInterfaces, s.readBelow,
		s.readMounts, s.readSwaps, s.readClaims, s.readNames,
		func(ctx context.Context) { s.readPaths(ctx, named) })
}

// Answer reads what a question is about, and no more of the host than that: its
// cost does not grow with the number of other functions, but for a serial of each
// NVMe controller, and the kind of each function where a controller says no serial. What counts for every function is complete: mounts, swap, loop
// devices, where paths lead.
func (t Tree) Answer(ctx context.Context, q facts.Question) (facts.Survey, error) {
	s := t.begin()
	s.about = &q
	return s.take(ctx, s.readKernel, s.listMounts, s.readFunctions, s.readBlocks, s.readNVMe, s.readInterfaces, s.readBelow,
		s.readMounts, s.readSwaps, func(ctx context.Context) { s.readPaths(ctx, nil) })
}

func (s *survey) take(ctx context.Context, steps ...func(context.Context)) (facts.Survey, error) {
	for _, read := range steps {
		if read(ctx); ctx.Err() != nil {
			return facts.Survey{}, fmt.Errorf("survey host: %w", ctx.Err())
		}
	}
	s.out.Sort()
	return s.out, nil
}

// begin gives a survey in which nothing is read yet.
func (t Tree) begin() *survey {
	return &survey{
		reader: reader{fsys: t.fsys}, machine: t.live == "/",
		out: facts.Survey{
			Format: facts.Format, TakenAt: time.Now().UTC().Truncate(time.Second),
			Functions: []facts.Function{}, Blocks: []facts.Block{}, Mounts: []facts.Mount{},
			Swaps: []facts.Swap{}, Paths: []facts.Path{}, Claims: []facts.Claim{},
		},
	}
}

// survey is a survey in the making.
type survey struct {
	reader
	out       facts.Survey
	about     *facts.Question // nil: everything
	functions map[facts.Address]*found
	blocks    map[string]int    // where in out.Blocks
	blockDirs map[string]string // real directory of each block device
	mounted   []*mountinfo.Info
	console   *console  // nil: not read yet
	over      *[]remote // likewise
	overGaps  []facts.Gap
	fabrics   []string // NVMe controllers that hang on no function
	machine   bool     // the root directory is this machine's own
}

// whole is the place of facts that belong to the survey itself, not to one of
// its functions or block devices.
func (s *survey) whole(dir string) place {
	return place{&s.reader, dir, &s.out.Gaps}
}

// function gives the function at an address, or nil.
func (s *survey) function(at facts.Address) *facts.Function {
	if found := s.functions[at]; found != nil {
		return &s.out.Functions[found.index]
	}
	return nil
}
