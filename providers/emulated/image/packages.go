package image

import (
	"bufio"
	"bytes"
	"context"
	_ "embed"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

//go:embed packages.txt
var packageList string

// Package is one Debian package of the image, as apt resolved it.
type Package struct {
	Name    string
	Version string
	File    string // "name_version_architecture.deb", a colon written %3a
	Bytes   int64
	Hash    string // as apt prints it, "SHA256:..."
}

// names reads a list of one name a line with # comments.
func names(list string) []string {
	var found []string
	for line := range strings.Lines(list) {
		name, _, _ := strings.Cut(line, "#")
		if name = strings.TrimSpace(name); name != "" {
			found = append(found, name)
		}
	}
	return found
}

// resolve asks apt which packages the list comes to on a system that has none
// yet. It reads only the indexes that are on this machine.
func resolve(ctx context.Context) ([]Package, error) {
	empty, err := os.CreateTemp("", "emuhost-status")
	if err != nil {
		return nil, fmt.Errorf("resolve packages: %w", err)
	}
	defer os.Remove(empty.Name())
	defer empty.Close()
	arguments := append([]string{
		"-o", "Dir::State::status=" + empty.Name(), "-o", "Debug::NoLocking=1", "-o", "Acquire::ForceHash=SHA256",
		"--no-install-recommends", "--print-uris", "-qq", "-y", "install",
	}, names(packageList)...)
	output, err := run(ctx, "", "apt-get", arguments...)
	if err != nil {
		return nil, fmt.Errorf("resolve packages (the indexes may be missing: apt-get update): %w", err)
	}
	return parseURIs(output)
}

// parseURIs reads the lines of "apt-get --print-uris": 'URI' FILE SIZE HASH.
func parseURIs(output []byte) ([]Package, error) {
	var packages []Package
	for lines := bufio.NewScanner(bytes.NewReader(output)); lines.Scan(); {
		if !strings.HasPrefix(lines.Text(), "'") {
			continue // a notice
		}
		fields := strings.Fields(lines.Text())
		if len(fields) != 4 {
			return nil, fmt.Errorf("read apt's line %q: no URI, file, size and hash", lines.Text())
		}
		size, err := strconv.ParseInt(fields[2], 10, 64)
		if err != nil {
			return nil, fmt.Errorf("read apt's line %q: %w", lines.Text(), err)
		}
		parts := strings.Split(strings.TrimSuffix(fields[1], ".deb"), "_")
		if len(parts) != 3 {
			return nil, fmt.Errorf("read apt's line %q: no name_version_architecture", lines.Text())
		}
		version, err := url.PathUnescape(parts[1])
		if err != nil {
			return nil, fmt.Errorf("read apt's line %q: %w", lines.Text(), err)
		}
		packages = append(packages, Package{Name: parts[0], Version: version, File: fields[1], Bytes: size, Hash: fields[3]})
	}
	if len(packages) == 0 {
		return nil, fmt.Errorf("read apt's answer: it names no package")
	}
	slices.SortFunc(packages, func(a, b Package) int { return strings.Compare(a.File, b.File) })
	return packages, nil
}

// fetch downloads what folder does not hold yet. apt checks the hashes.
func fetch(ctx context.Context, folder string, packages []Package) error {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fmt.Errorf("fetch packages: %w", err)
	}
	var wanted []string
	for _, p := range packages {
		if there, err := os.Stat(filepath.Join(folder, p.File)); err != nil || there.Size() != p.Bytes {
			wanted = append(wanted, p.Name+"="+p.Version)
		}
	}
	if len(wanted) == 0 {
		return nil
	}
	if _, err := run(ctx, folder, "apt-get", append([]string{"-qq", "download"}, wanted...)...); err != nil {
		return fmt.Errorf("fetch packages: %w", err)
	}
	for _, p := range packages {
		if there, err := os.Stat(filepath.Join(folder, p.File)); err != nil || there.Size() != p.Bytes {
			return fmt.Errorf("fetch packages: %s is not what apt announced", p.File)
		}
	}
	return nil
}

// prune removes the packages that no image is made of any more.
func prune(folder string, packages []Package) error {
	wanted := map[string]bool{}
	for _, p := range packages {
		wanted[p.File] = true
	}
	entries, err := os.ReadDir(folder)
	if err != nil {
		return fmt.Errorf("prune packages: %w", err)
	}
	for _, entry := range entries {
		if wanted[entry.Name()] {
			continue
		}
		if err := os.Remove(filepath.Join(folder, entry.Name())); err != nil {
			return fmt.Errorf("prune packages: %w", err)
		}
	}
	return nil
}

// run runs a program and gives its standard output; a failure carries what it
// said on standard error.
func run(ctx context.Context, folder, program string, arguments ...string) ([]byte, error) {
	command := exec.CommandContext(ctx, program, arguments...)
	command.Dir = folder
	var said bytes.Buffer
	command.Stderr = &said
	output, err := command.Output()
	if err != nil {
		return nil, fmt.Errorf("%s: %w: %s", program, err, bytes.TrimSpace(said.Bytes()))
	}
	return output, nil
}
