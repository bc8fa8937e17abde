package hook

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"

	"lendkeep/providers/files"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/strict"
)

// Word is where an order that is being carried out tells the guard of itself. It
// counts only while the process that wrote it lives, and within one start of the
// host; that lendkeep holds its lock is asked besides.
type Word struct {
	Folder string
	Now    func() (Moment, error)
}

// spoken is a word as its file holds it.
type spoken struct {
	Boot string `json:"boot"`
	PID  int    `json:"pid"`
	// Began is when the process began, in clock ticks after the boot (proc(5),
	// /proc/pid/stat, field 22): numbers of processes are used again.
	Began uint64 `json:"began"`
	guard.Ordered
}

func readSpoken(content []byte) (spoken, error) {
	var s spoken
	err := strict.ReadWhole(content, maxOwn, &s)
	return s, err
}

func (w Word) file() string { return filepath.Join(w.Folder, "order") }

// Tell has the guard know from now on what the order of this process says.
func (w Word) Tell(o guard.Ordered) error {
	now, err := w.Now()
	if err != nil {
		return fmt.Errorf("tell the guard of the order: %w", err)
	}
	s := spoken{Boot: now.Boot, PID: os.Getpid(), Ordered: o}
	if s.Began, err = began(s.PID); err != nil {
		return fmt.Errorf("tell the guard of the order: %w", err)
	}
	content, err := json.Marshal(s)
	if err == nil {
		err = os.MkdirAll(w.Folder, 0o700)
	}
	if err == nil {
		err = files.Write(w.file(), append(content, '\n'), files.Private)
	}
	if err != nil {
		return fmt.Errorf("tell the guard of the order: %w", err)
	}
	return nil
}

// Withdraw takes the word back.
func (w Word) Withdraw() error {
	if err := os.Remove(w.file()); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("tell the guard that the order has ended: %w", err)
	}
	return nil
}

// Heard gives what the order under way says of itself; nothing, where that cannot
// be relied on.
func (w Word) Heard() guard.Ordered {
	content, err := files.Read(w.file(), maxOwn)
	if err != nil {
		return guard.Ordered{}
	}
	s, err := readSpoken(content)
	if err != nil {
		return guard.Ordered{}
	}
	now, err := w.Now()
	if err != nil || now.Boot != s.Boot {
		return guard.Ordered{}
	}
	if at, err := began(s.PID); err != nil || at != s.Began {
		return guard.Ordered{}
	}
	s.Told = true
	return s.Ordered
}

// began reads when a process began. Its name, in parentheses, may hold anything.
func began(pid int) (uint64, error) {
	content, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return 0, err
	}
	fields := bytes.Fields(content[bytes.LastIndexByte(content, ')')+1:]) // from field 3 on
	if len(fields) < 20 {
		return 0, fmt.Errorf("process %d says nothing of its beginning", pid)
	}
	return strconv.ParseUint(string(fields[19]), 10, 64)
}
