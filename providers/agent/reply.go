package agent

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"unicode/utf8"

	"lendkeep/reconcile/strict"
)

// Bounds of what a guest may answer. A reply with a piece of a file has half a
// megabyte; libvirt's own bound of one is 10 MiB.
const (
	mostReply    = 4 << 20
	mostWords    = 500 // bytes of text that is quoted
	mostCommands = 1000
)

// wrong is the error where a reply is none to the command.
type wrong struct{ err error }

func (w wrong) Error() string { return "what is no answer to that: " + w.err.Error() }
func (w wrong) Unwrap() error { return w.err }

// Refused is what the agent itself says why it does not do something.
type Refused struct{ Why string }

func (r Refused) Error() string { return "no: " + r.Why }

// answer takes a reply apart: {"return": ...}, or {"error": {"desc": ...}}.
func answer(reply string) ([]byte, error) {
	var said struct {
		Return json.RawMessage `json:"return"`
		Error  *struct {
			Desc string `json:"desc"`
		} `json:"error"`
	}
	switch err := strict.ReadSome([]byte(reply), mostReply, &said); {
	case err != nil:
		return nil, wrong{err}
	case said.Error != nil && said.Return != nil:
		return nil, wrong{errors.New("an answer and an error at once")}
	case said.Error != nil:
		return nil, Refused{quoted(said.Error.Desc)}
	case said.Return == nil:
		return nil, wrong{errors.New("neither an answer nor an error")}
	}
	return said.Return, nil
}

// quoted bounds a text of the guest's.
func quoted(text string) string {
	if len(text) <= mostWords {
		return text
	}
	cut := mostWords
	for !utf8.RuneStart(text[cut]) {
		cut--
	}
	return text[:cut] + "..."
}

// object reads an answer that is an object. What newer agents say besides is passed
// over.
func object(content []byte, into any) error {
	if content = bytes.TrimLeft(content, " \t\r\n"); len(content) == 0 || content[0] != '{' {
		return wrong{errors.New("want an object")}
	}
	if err := strict.ReadSome(content, mostReply, into); err != nil {
		return wrong{err}
	}
	return nil
}

// readNothing is of commands that answer nothing but that it is done.
func readNothing(content []byte) (struct{}, error) {
	return struct{}{}, object(content, new(struct{}))
}

// readID reads a number: that of a sync, or the handle of an open file.
func readID(content []byte) (int64, error) {
	var id *int64
	if err := strict.ReadSome(content, mostReply, &id); err != nil {
		return 0, wrong{err}
	}
	if id == nil {
		return 0, wrong{errors.New("want a number")}
	}
	return *id, nil
}

// readCommands reads the answer of guest-info: which commands may be done.
func readCommands(content []byte) ([]string, error) {
	var said struct {
		Commands []struct {
			Name    string `json:"name"`
			Enabled bool   `json:"enabled"`
		} `json:"supported_commands"`
	}
	if err := object(content, &said); err != nil {
		return nil, err
	}
	if n := len(said.Commands); n == 0 || n > mostCommands {
		return nil, wrong{fmt.Errorf("a list of %d commands", n)}
	}
	var list []string
	for _, c := range said.Commands {
		if c.Enabled {
			list = append(list, c.Name)
		}
	}
	slices.Sort(list)
	return list, nil
}

// readPID reads the answer of guest-exec.
func readPID(content []byte) (int64, error) {
	var said struct {
		PID int64 `json:"pid"`
	}
	if err := object(content, &said); err != nil {
		return 0, err
	}
	if said.PID <= 0 {
		return 0, wrong{errors.New("no number of a process")}
	}
	return said.PID, nil
}

// readWritten reads how many bytes of a file were written.
func readWritten(content []byte) (int, error) {
	var said struct {
		Count *int `json:"count"`
	}
	if err := object(content, &said); err != nil {
		return 0, err
	}
	if said.Count == nil || *said.Count < 0 {
		return 0, wrong{errors.New("no count of bytes")}
	}
	return *said.Count, nil
}

// piece is a part of a file.
type piece struct {
	content []byte
	last    bool
}

// readPiece reads a part of a file of which so many bytes were asked for.
func readPiece(most int) func([]byte) (piece, error) {
	return func(content []byte) (piece, error) { return pieceIn(content, most) }
}

func pieceIn(content []byte, most int) (piece, error) {
	var said struct {
		Count *int   `json:"count"`
		Bytes []byte `json:"buf-b64"`
		EOF   *bool  `json:"eof"`
	}
	if err := object(content, &said); err != nil {
		return piece{}, err
	}
	switch {
	case said.Count == nil || said.EOF == nil:
		return piece{}, wrong{errors.New("no count of bytes, or nothing of the file's end")}
	case *said.Count != len(said.Bytes):
		return piece{}, wrong{fmt.Errorf("%d bytes, of which %d are there", *said.Count, len(said.Bytes))}
	case len(said.Bytes) > most:
		return piece{}, wrong{fmt.Errorf("%d bytes, where %d were asked for", len(said.Bytes), most)}
	}
	return piece{said.Bytes, *said.EOF}, nil
}
