package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"regexp"
	"sync"

	"lendkeep/providers/files"
	"lendkeep/reconcile/order"
)

// The files that lendkeep reads and writes, as it calls them.
const (
	anOrder  = "an order"
	aSurvey  = "a survey"
	aLayout  = "a file of a layout"
	aTree    = "a captured tree"
	aJournal = "a journal"
	aResult  = "a measurement's result"
)

// beginning is how the files of a kind begin.
type beginning struct {
	is    string
	begin *regexp.Regexp
}

// beginnings tell what a file is that somebody has named, made when they are first
// asked for. They only choose words: whether it is sound its reader tells.
var beginnings = sync.OnceValue(func() []beginning {
	return []beginning{
		{anOrder, regexp.MustCompile(`^\s*\{\s*"sha256"`)},
		{aResult, regexp.MustCompile(`^\s*\{\s*"format":\s*\d+,\s*"sum"`)},
		{aSurvey, regexp.MustCompile(`^\s*\{\s*"format"`)},
		{aJournal, regexp.MustCompile(`^[0-9a-f]{8}[ :]`)},
		{aTree, regexp.MustCompile(`(?m)\A(?:.*\n)*?-- \S.* --$`)},
		{aLayout, regexp.MustCompile(`(?m)^(host|values|controller|guest|shim|shift)\b[^\n]*\{`)},
		{"XML", regexp.MustCompile(`^\s*<`)},
		{"JSON of another kind", regexp.MustCompile(`^\s*[{\[]`)},
	}
})

// whatIs calls a file by its beginning; empty: it is not known.
func whatIs(content []byte) string {
	const looked = 4096
	some := content[:min(len(content), looked)]
	switch {
	case len(content) == 0:
		return "an empty file"
	case bytes.IndexByte(some, 0) >= 0:
		return "no text"
	}
	for _, b := range beginnings() {
		if b.begin.Match(some) {
			return b.is
		}
	}
	return ""
}

// isFolder tells whether a name is that of a folder.
func isFolder(name string) bool {
	meta, err := os.Stat(name)
	return err == nil && meta.IsDir()
}

// removeOld takes away the order that an earlier plan has left where this one has
// none to write: somebody might carry it out. What else lies there stays. It says
// which. No name, and that of standard output, are those of no file.
func removeOld(name string) (said string, err error) {
	if name == "" || name == standard {
		return "", nil
	}
	content, err := files.Read(name, order.MaxBytes)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return "", nil
	case err != nil:
		return fmt.Sprintf("Whether %s holds an order of an earlier plan is not known, and it stays as it is: %v.", name, err), nil
	case whatIs(content) != anOrder:
		return name + " is not an order, and stays as it is.", nil
	}
	if err := os.Remove(name); err != nil {
		return "", fail(exitUsage, "remove it by hand: an order of an earlier plan is in it", "remove the old order: %w", err)
	}
	return name + " held an order of an earlier plan, and was removed.", nil
}
