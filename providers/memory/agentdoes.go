package memory

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// talking is an agent, and what of its guest it is asked about: the files that were
// put there, and the programs that were started.
type talking struct {
	Agent
	lent    bool // the guest has something lent to it
	asked   int
	last    int64             // handle or process
	files   map[string][]byte // by path; folders are nil
	opened  map[int64]*opened
	started map[int64]*started
}

// opened is a file that is open.
type opened struct {
	path  string
	write bool
	rest  *bytes.Reader // what is not read yet
}

// started is a program that was started: it has done everything at once, and is
// seen once while it still runs.
type started struct {
	seen      bool
	out, said string
	code      int
}

// commands are what agents know (qga/qapi-schema.json 7.2), as far as they are asked.
var commands map[string]func(*talking, json.RawMessage) (any, error)

func init() {
	commands = map[string]func(*talking, json.RawMessage) (any, error){
		"guest-sync": func(_ *talking, given json.RawMessage) (any, error) {
			var c struct{ ID int64 }
			return taken(given, &c, func() (any, error) { return c.ID, nil })
		},
		"guest-info":        (*talking).info,
		"guest-get-osinfo":  func(a *talking, _ json.RawMessage) (any, error) { return a.System, nil },
		"guest-file-open":   (*talking).open,
		"guest-file-close":  (*talking).close,
		"guest-file-read":   (*talking).read,
		"guest-file-write":  (*talking).write,
		"guest-file-flush":  func(*talking, json.RawMessage) (any, error) { return struct{}{}, nil },
		"guest-exec":        (*talking).exec,
		"guest-exec-status": (*talking).status,
	}
}

// taken reads a command's arguments.
func taken(given json.RawMessage, into any, do func() (any, error)) (any, error) {
	if err := json.Unmarshal(given, into); err != nil {
		return nil, err
	}
	return do()
}

func (a *talking) info(json.RawMessage) (any, error) {
	type command struct {
		Name    string `json:"name"`
		Enabled bool   `json:"enabled"`
	}
	var list []command
	for name := range commands {
		list = append(list, command{name, !slices.Contains(a.Blocked, name)})
	}
	return map[string]any{"version": "7.2.22", "supported_commands": list}, nil
}

func (a *talking) open(given json.RawMessage) (any, error) {
	var c struct{ Path, Mode string }
	return taken(given, &c, func() (any, error) {
		content, there := a.files[c.Path]
		write := strings.HasPrefix(c.Mode, "w")
		if !write && (!there || content == nil) || write && !a.folder(c.Path) {
			return nil, fmt.Errorf("failed to open file '%s' (mode: '%s'): No such file or directory", c.Path, c.Mode)
		}
		if write {
			a.files[c.Path] = []byte{}
		}
		a.last++
		a.opened[a.last] = &opened{c.Path, write, bytes.NewReader(content)}
		return a.last, nil
	})
}

// folder tells whether the folder of a file is there.
func (a *talking) folder(path string) bool {
	at := strings.LastIndexAny(path, `/\`)
	content, there := a.files[path[:max(at, 0)]]
	return there && content == nil
}

func (a *talking) close(given json.RawMessage) (any, error) {
	var c struct{ Handle int64 }
	return taken(given, &c, func() (any, error) {
		if a.opened[c.Handle] == nil {
			return nil, noHandle(c.Handle)
		}
		delete(a.opened, c.Handle)
		return struct{}{}, nil
	})
}

func noHandle(handle int64) error { return fmt.Errorf("handle '%d' has not been found", handle) }

func (a *talking) read(given json.RawMessage) (any, error) {
	var c struct{ Handle, Count int64 }
	return taken(given, &c, func() (any, error) {
		f := a.opened[c.Handle]
		if f == nil {
			return nil, noHandle(c.Handle)
		}
		part, err := io.ReadAll(io.LimitReader(f.rest, c.Count))
		return map[string]any{"count": len(part), "buf-b64": part, "eof": int64(len(part)) < c.Count}, err
	})
}

func (a *talking) write(given json.RawMessage) (any, error) {
	var c struct {
		Handle  int64
		Content []byte `json:"buf-b64"`
	}
	return taken(given, &c, func() (any, error) {
		f := a.opened[c.Handle]
		if f == nil || !f.write {
			return nil, noHandle(c.Handle)
		}
		a.files[f.path] = append(a.files[f.path], c.Content...)
		return map[string]any{"count": len(c.Content), "eof": false}, nil
	})
}

func (a *talking) exec(given json.RawMessage) (any, error) {
	var c struct {
		Path string
		Arg  []string
	}
	return taken(given, &c, func() (any, error) {
		p := &started{}
		switch {
		case a.files[c.Path] != nil:
			a.measure(p, c.Arg)
		case programs[c.Path] != nil:
			programs[c.Path](a, p, c.Arg)
		default:
			return nil, fmt.Errorf("Guest agent command failed, error was 'Failed to execute child process “%s” (No such file or directory)'", c.Path)
		}
		a.last++
		a.started[a.last] = p
		return map[string]any{"pid": a.last}, nil
	})
}

func (a *talking) status(given json.RawMessage) (any, error) {
	var c struct{ PID int64 }
	return taken(given, &c, func() (any, error) {
		p := a.started[c.PID]
		switch {
		case p == nil:
			return nil, errors.New("Invalid parameter 'pid'")
		case !p.seen:
			p.seen = true
			return map[string]any{"exited": false}, nil
		}
		delete(a.started, c.PID)
		reply := map[string]any{"exited": true, "exitcode": p.code}
		if p.out != "" {
			reply["out-data"] = []byte(p.out)
		}
		if p.said != "" {
			reply["err-data"] = []byte(p.said)
		}
		return reply, nil
	})
}
