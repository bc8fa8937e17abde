package image

import (
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// recipe is this package itself: a change of what it does makes another image.
//
//go:embed *.go packages.txt
var recipe embed.FS

// Image is a finished image in the cache.
type Image struct {
	Key    string // hash of all that went in
	Folder string
}

// Kernel is the kernel's file.
func (i Image) Kernel() string { return filepath.Join(i.Folder, "vmlinuz") }

// Disk is the raw file of the own drive. Machines write to copies of it only.
func (i Image) Disk() string { return filepath.Join(i.Folder, "disk.raw") }

func (i Image) modules() string { return filepath.Join(i.Folder, "modules") }

// Cache is where images and downloaded packages are kept: LENDKEEP_CACHE, or
// a folder in the user's own cache.
func Cache() (string, error) {
	if named := os.Getenv("LENDKEEP_CACHE"); named != "" {
		return filepath.Abs(named)
	}
	base, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("find cache: %w", err)
	}
	return filepath.Join(base, "lendkeep", "emuhost"), nil
}

// Make gives the image for the packages that apt knows now, out of the cache or
// newly built. The finish step gets a new image before it is kept, to add what
// only a running host can. Progress goes to say, a line a stage. The caller
// sees to it that only one Make runs at a time on a cache.
func Make(ctx context.Context, cache string, say io.Writer, finish func(Image) error) (Image, error) {
	packages, err := resolve(ctx)
	if err != nil {
		return Image{}, err
	}
	made := Image{Key: key(packages)}
	made.Folder = filepath.Join(cache, "images", made.Key)
	if _, err := os.Stat(made.Folder); err == nil {
		return made, nil
	}
	fmt.Fprintf(say, "image: %d packages to fetch or reuse\n", len(packages))
	debs := filepath.Join(cache, "packages")
	if err := fetch(ctx, debs, packages); err != nil {
		return Image{}, err
	}
	work := filepath.Join(cache, "work")
	if err := os.RemoveAll(work); err != nil { // left by a build that was killed
		return Image{}, fmt.Errorf("make image: %w", err)
	}
	defer os.RemoveAll(work)
	fresh := Image{Key: made.Key, Folder: filepath.Join(work, "image")}
	if err := build(ctx, fresh, filepath.Join(work, "root"), debs, packages, say); err != nil {
		return Image{}, err
	}
	if err := finish(fresh); err != nil {
		return Image{}, fmt.Errorf("make image: %w", err)
	}
	return made, keep(made, fresh, debs, packages)
}

// keep puts a finished image in its place and removes what it takes the place
// of: each image is half a gigabyte, and apt offers only the newest packages.
func keep(made, fresh Image, debs string, packages []Package) error {
	if err := os.RemoveAll(filepath.Dir(made.Folder)); err != nil {
		return fmt.Errorf("keep image: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(made.Folder), 0o755); err != nil {
		return fmt.Errorf("keep image: %w", err)
	}
	if err := os.Rename(fresh.Folder, made.Folder); err != nil {
		return fmt.Errorf("keep image: %w", err)
	}
	return prune(debs, packages)
}

// build fills the folder of one image by way of a root tree.
func build(ctx context.Context, i Image, root, debs string, packages []Package, say io.Writer) error {
	for _, folder := range []string{i.modules(), root} {
		if err := os.MkdirAll(folder, 0o755); err != nil {
			return fmt.Errorf("make image: %w", err)
		}
	}
	fmt.Fprintln(say, "image: unpacking")
	if err := unpack(ctx, root, debs, packages); err != nil {
		return err
	}
	if err := settle(ctx, root); err != nil {
		return err
	}
	if err := keepModules(root, i.modules()); err != nil {
		return err
	}
	kernel, err := release(root)
	if err != nil {
		return err
	}
	if err := os.Rename(filepath.Join(root, "boot", "vmlinuz-"+kernel), i.Kernel()); err != nil {
		return fmt.Errorf("make image: %w", err)
	}
	fmt.Fprintln(say, "image: writing the disk")
	return writeDisk(ctx, i.Disk(), root)
}

// key is the hash of everything that goes into an image.
func key(packages []Package) string {
	sum := sha256.New()
	err := fs.WalkDir(recipe, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || strings.HasSuffix(name, "_test.go") {
			return err
		}
		content, err := recipe.ReadFile(name)
		fmt.Fprintf(sum, "%s %d\n", name, len(content))
		sum.Write(content)
		return err
	})
	if err != nil {
		panic(err) // the files are inside the program
	}
	for _, p := range packages {
		fmt.Fprintln(sum, p.File, p.Hash)
	}
	return hex.EncodeToString(sum.Sum(nil))[:16]
}
