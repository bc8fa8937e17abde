package spec

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
)

// Extension is what the names of layout files end with.
const Extension = ".hcl"

// Given are the few facts of a survey that a layout may compute with, as
// survey.memory, survey.cpus and survey.host.
type Given struct {
	MemoryBytes uint64
	CPUs        int
	HostName    string
	Known       bool // false: there is no survey, and asking for one is an error
}

// File is one layout file: its name within the layout's directory and its bytes.
type File struct {
	Name  string
	Bytes []byte
}

// Load reads the layout in dir: all files there that end with .hcl, but hidden
// ones. With any error there is no Layout; warnings come beside one.
func Load(dir string, given Given) (*Layout, Diagnostics) {
	files, ds := readFiles(dir)
	if ds.HasErrors() {
		return nil, ds
	}
	layout, more := LoadSources(dir, files, given)
	return layout, append(ds, more...).sorted()
}

// LoadSources makes a layout of files already read, in any order; dir is only
// remembered. It reads nothing else and never panics, whatever the files hold.
func LoadSources(dir string, files []File, given Given) (*Layout, Diagnostics) {
	files = slices.Clone(files)
	slices.SortFunc(files, func(a, b File) int { return strings.Compare(a.Name, b.Name) })

	r := newReader(given)
	layout := r.read(files)
	if r.failed {
		return nil, r.reported()
	}
	layout.Dir, layout.Hash = dir, hash(files)
	return layout, r.reported()
}

func readFiles(dir string) ([]File, Diagnostics) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, Diagnostics{noDirectory(dir, err)}
	}
	var files []File
	var ds Diagnostics
	var almost []string
	for _, entry := range entries {
		name := entry.Name()
		// Editors keep their locks and copies in hidden files.
		if entry.IsDir() || strings.HasPrefix(name, ".") {
			continue
		}
		if filepath.Ext(name) != Extension {
			if meant.MatchString(name) {
				almost = append(almost, name)
			}
			continue
		}
		content, err := readRegular(filepath.Join(dir, name))
		if err != nil {
			ds = append(ds, unreadable(name, "cannot read this layout file", err))
			continue
		}
		files = append(files, File{Name: name, Bytes: content})
	}
	for _, name := range almost {
		d := Diagnostic{Severity: SeverityWarning, Summary: "this file is not read", Detail: "Its name does not end with " + Extension + ".",
			Hint: "rename it, if it is a part of the layout; lendkeep reads no JSON", At: Place{File: name}}
		if len(files) == 0 && !ds.HasErrors() {
			d.Severity, d.Detail = SeverityError, fmt.Sprintf("Its name does not end with %s, and no other file in %s does.", Extension, dir)
		}
		ds = append(ds, d)
	}
	return files, ds
}

// meant are names that a layout file may have been given by mistake: what it is
// taken for elsewhere, what editors append, capitals.
var meant = regexp.MustCompile(`(?i)\.hcl(\.(json|txt))?$`)

// noDirectory tells why a layout's directory cannot be read.
func noDirectory(dir string, err error) Diagnostic {
	meta, statErr := os.Stat(dir)
	switch {
	case statErr == nil && !meta.IsDir():
		return Diagnostic{Severity: SeverityError, Summary: "a layout is a directory, and this is a file", Detail: fmt.Sprintf("All files in one directory that end with %s are one layout.", Extension),
			Hint: "name the directory that it is in: " + filepath.Dir(dir), At: Place{File: dir}}
	case errors.Is(err, fs.ErrNotExist):
		return Diagnostic{Severity: SeverityError, Summary: "there is no such directory", Hint: "name the directory in which the layout's " + Extension + " files are", At: Place{File: dir}}
	}
	return unreadable(dir, "cannot read the layout's directory", err)
}

// readRegular reads a file, but no device or pipe, on which it could wait for
// ever, and no more of it than shows that it is too large.
func readRegular(path string) ([]byte, error) {
	meta, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !meta.Mode().IsRegular() {
		return nil, &fs.PathError{Op: "read", Path: path, Err: fmt.Errorf("not a regular file")}
	}
	// Another may be in its place by now, or grow.
	file, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	defer file.Close() // only read
	return readBounded(file, path)
}

func readBounded(file *os.File, path string) ([]byte, error) {
	meta, err := file.Stat()
	if err == nil && !meta.Mode().IsRegular() {
		err = &fs.PathError{Op: "read", Path: path, Err: errors.New("not a regular file")}
	}
	if err != nil {
		return nil, err
	}
	content, err := io.ReadAll(io.LimitReader(file, MaxFileBytes+1))
	if err == nil && len(content) > MaxFileBytes {
		err = fmt.Errorf("%s has %d bytes or more; a layout file may have %d", path, len(content), MaxFileBytes)
	}
	return content, err
}

func unreadable(file, summary string, err error) Diagnostic {
	return Diagnostic{
		Severity: SeverityError,
		Summary:  summary,
		Detail:   err.Error(),
		At:       Place{File: file},
	}
}

// hash gives the sha256 over the names and bytes of sorted files. Each part has
// its length before it, so that nothing can move from one part to the next
// without a trace.
func hash(files []File) string {
	sum := sha256.New()
	part := func(b []byte) {
		sum.Write(binary.BigEndian.AppendUint64(nil, uint64(len(b))))
		sum.Write(b)
	}
	for _, f := range files {
		part([]byte(f.Name))
		part(f.Bytes)
	}
	return hex.EncodeToString(sum.Sum(nil))
}
