package drive

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"
	"golang.org/x/sys/unix"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/drive/image"
	"lendkeep/reconcile/facts"
)

// Contents looks into drives and images for a survey.
type Contents struct {
	Root    string  // where /dev and images are; "/" when empty
	Systems Systems // nil: installed systems are not looked for
}

// Systems looks for the installed system on a disk of which the table and the volumes
// are known. It is given from outside (providers/drive/system), since the guard of
// starts reads drives too and asks nothing of what is installed there.
type Systems func(ctx context.Context, r io.ReaderAt, c *facts.Content) *facts.Installed

func (look Systems) on(ctx context.Context, r io.ReaderAt, c *facts.Content) *facts.Installed {
	if look == nil {
		return nil
	}
	return look(ctx, r, c)
}

const drivesAtOnce = 4

// Look names a drive that is looked into.
type Look struct {
	Name   string // of the kernel's
	Sample bool   // also whether it is blank all over, which takes seconds where it is
}

// Survey adds to a survey what these drives and images hold. Each gives a content, one
// that could not be read with a gap; that is what an image is of which nobody says the
// format.
func (c Contents) Survey(ctx context.Context, s *facts.Survey, drives []Look, images []facts.StatedImage) {
	// Side by side: a blank drive takes a second or two.
	seen := make([]facts.Content, len(drives))
	var group errgroup.Group
	group.SetLimit(drivesAtOnce)
	for n, look := range drives {
		group.Go(func() error {
			i := slices.IndexFunc(s.Blocks, func(b facts.Block) bool { return b.Name == look.Name })
			if i < 0 {
				seen[n] = unread(facts.Content{Of: look.Name}, errors.New("the survey has no such block device"))
				return nil
			}
			seen[n] = c.drive(ctx, s.Blocks[i], look.Sample)
			return nil
		})
	}
	_ = group.Wait() // each has its gaps
	s.Contents = append(s.Contents, seen...)
	ix := facts.NewIndex(s)
	for _, named := range images {
		format, err := ix.FormatOf(named.Path, named.Format)
		if err != nil {
			s.Contents = append(s.Contents, unread(facts.Content{Of: named.Path, Image: true}, err))
			continue
		}
		s.Contents = append(s.Contents, c.image(ctx, named.Path, format))
	}
	slices.SortStableFunc(s.Contents, func(a, b facts.Content) int { return strings.Compare(a.Of, b.Of) })
}

// unread is a content of which nothing is known.
func unread(c facts.Content, err error) facts.Content {
	for _, fact := range []string{"table", "signature"} {
		c.Gaps = append(c.Gaps, facts.Gap{Fact: fact, Path: c.Of, Reason: err.Error()})
	}
	return c
}

func (c Contents) path(elements ...string) string {
	return filepath.Join(append([]string{"/", c.Root}, elements...)...)
}

// drive looks into a drive, which is only read. Its name may have moved since
// the survey listed it; its number and size must be the same.
func (c Contents) drive(ctx context.Context, b facts.Block, sample bool) facts.Content {
	none := facts.Content{Of: b.Name, SizeBytes: b.SizeBytes, SectorBytes: b.SectorBytes}
	node := c.path("dev", b.Name)
	file, err := os.OpenFile(node, os.O_RDONLY|unix.O_NONBLOCK, 0)
	if err != nil {
		return unread(none, err)
	}
	defer file.Close() // only read
	size, sector, devno, err := measure(file, Device{Name: b.Name, Node: node})
	switch {
	case err != nil:
		return unread(none, err)
	case devno != b.Devno || size != b.SizeBytes || sector != b.SectorBytes:
		return unread(none, fmt.Errorf("%s is now device %s of %d bytes", node, devno, size))
	}
	// What the kernel remembers of the drive may be older than what was written
	// through its partitions (posix_fadvise(2)); when that fails it is as old as
	// it is.
	_ = unix.Fadvise(int(file.Fd()), 0, 0, unix.FADV_DONTNEED)
	seen := content.Read(file, b.Name, size, sector, true)
	beside(ctx, file, &seen)
	seen.System = c.Systems.on(ctx, file, &seen)
	if !sample {
		return seen
	}
	past, err := direct(file)
	if err != nil {
		return unread(none, err)
	}
	defer past.Close() // only read
	blank(ctx, past, &seen)
	return seen
}

// looks is how often an image is looked into again that was written meanwhile,
// as one of a running guest is now and then.
const looks = 5

var errWritten = errors.New("it was written while it was looked into")

// image looks into an image.
func (c Contents) image(ctx context.Context, path, format string) facts.Content {
	for n := 1; ; n++ {
		seen, err := c.imageOnce(ctx, path, format)
		switch {
		case errors.Is(err, errWritten) && n < looks:
		case err != nil:
			return unread(seen, err)
		default:
			return seen
		}
	}
}

// imageOnce looks into an image. One that is written meanwhile, or whose own
// tables are damaged, is not known.
func (c Contents) imageOnce(ctx context.Context, path, format string) (facts.Content, error) {
	none := facts.Content{Of: path, Image: true, Format: format, SectorBytes: imageSector}
	i, err := image.Open(path, format, func(path string) (image.File, error) { return image.OpenFile(c.path(path)) })
	if err != nil {
		return none, err
	}
	defer i.Close() // only read
	none.SizeBytes, none.Stamp, none.Behind = i.SizeBytes(), i.Stamp(), behind(i)
	if none.DataBytes, err = i.DataBytes(ctx); err != nil {
		return none, err
	}
	switch {
	case none.Stamp == "":
		return none, errors.New("a file of its chain cannot be looked at")
	case i.Corrupt():
		return none, errors.New("it is marked as having damaged tables (qemu-img check)")
	}
	got := content.Read(i, path, none.SizeBytes, imageSector, true)
	// blkid and wipefs can see the bytes of a raw image. Those of a qcow2 exist
	// only through our own reading.
	if file, ok := i.Chain()[0].File.(*os.File); ok && format == "raw" {
		beside(ctx, file, &got)
	}
	blank(ctx, i, &got)
	got.System = c.Systems.on(ctx, i, &got)
	if i.Stamp() != none.Stamp {
		return none, errWritten
	}
	got.Image, got.Format, got.DataBytes, got.Stamp, got.Behind = true, format, none.DataBytes, none.Stamp, none.Behind
	return got, nil
}

// behind gives the files that an image is based on.
func behind(i *image.Image) []facts.ImageFile {
	var list []facts.ImageFile
	for _, l := range i.Chain()[1:] {
		list = append(list, facts.ImageFile{Path: l.Path, Format: l.Format, SizeBytes: l.SizeBytes, Stamp: l.Stamp})
	}
	return list
}
