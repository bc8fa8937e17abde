package agent

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
)

// key is a key of a Windows registry, as reg.exe told it.
type key struct {
	path   string
	values map[string]map[string]word // by key below it ("" is itself) and name, both in lower case
	keys   map[string]bool            // keys below it that were told, in lower case
}

// word is a value: its type ("REG_DWORD") and what it holds, as reg.exe writes it.
type word struct{ kind, text string }

// numberWord is a REG_DWORD as reg.exe writes it: "0x3".
var numberWord = regexp.MustCompile(`^0x[0-9a-fA-F]{1,8}$`)

// number gives a REG_DWORD; nil: it was not told, or is none.
func (k *key) number(below, name string) *uint64 {
	w, told := k.values[below][name]
	if !told || w.kind != "REG_DWORD" || !numberWord.MatchString(w.text) {
		return nil
	}
	n, err := strconv.ParseUint(w.text[2:], 16, 32)
	if err != nil {
		return nil
	}
	return &n
}

// says tells whether a REG_DWORD is another than 0: one that was not told is absent, as
// one of 0 is.
func (k *key) says(below, name string) facts.Held {
	n := k.number(below, name)
	switch _, told := k.values[below][name]; {
	case n != nil && *n != 0:
		return facts.Present
	case told && n == nil:
		return facts.Unknown
	}
	return facts.Absent
}

// valueLine is a value as reg.exe writes it, by four blanks: name, type, data. Names,
// types and numbers are the same in every language.
var valueLine = regexp.MustCompile(`^    (.+?)    (REG_[A-Z_]+)(?:    (.*))?$`)

// linesMost bounds what is read of reg.exe's words.
const linesMost = 20000

// registry asks for a key. That something below it was not told says that it is not
// there: reg.exe ended well, and told of the key.
func (l *look) registry(path string, more ...string) (*key, error) {
	out, err := l.out("reg.exe", append([]string{"query", path}, more...)...)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	k, err := readKey(path, out)
	if err != nil {
		return nil, fmt.Errorf("%s: reg.exe says what is no answer to that: %w", path, err)
	}
	return k, nil
}

// readKey reads what reg.exe says: lines of keys by their whole names, each before its
// values. A key without values may have no line of its own.
func readKey(path string, out []byte) (*key, error) {
	k := &key{path: path, values: map[string]map[string]word{}, keys: map[string]bool{}}
	root := strings.ToLower("HKEY_LOCAL_MACHINE" + strings.TrimPrefix(path, "HKLM"))
	lines := bytes.Split(out, []byte("\n"))
	if len(lines) > linesMost {
		return nil, fmt.Errorf("%d lines", len(lines))
	}
	below, told := "", false
	for _, line := range lines {
		text := strings.TrimRight(string(line), "\r")
		lower := strings.ToLower(text)
		switch {
		case lower == root:
			below, told = "", true
		case strings.HasPrefix(lower, root+`\`):
			below, told = lower[len(root)+1:], true
			k.keys[below] = true
		case strings.HasPrefix(lower, "hkey_"):
			return nil, errors.New("another key")
		case told:
			k.value(below, text)
		}
	}
	if !told {
		return nil, errors.New("the key itself is not there")
	}
	return k, nil
}

// value takes a line of a value; what is none, as the data's second line, is passed over.
func (k *key) value(below, line string) {
	parts := valueLine.FindStringSubmatch(line)
	if parts == nil {
		return
	}
	if k.values[below] == nil {
		k.values[below] = map[string]word{}
	}
	name := strings.ToLower(parts[1])
	if _, twice := k.values[below][name]; twice {
		parts[2] = "" // which of them is true is not known
	}
	k.values[below][name] = word{parts[2], parts[3]}
}
