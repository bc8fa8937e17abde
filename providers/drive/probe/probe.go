package probe

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"time"

	"lendkeep/providers/program"
)

const (
	// A program that takes longer knows nothing. The kernel itself gives a drive
	// 30 s for one answer (Linux 6.1 drivers/nvme/host/core.c nvme_io_timeout,
	// drivers/scsi/sd.h SD_TIMEOUT), so this bears one that is late once.
	within = time.Minute

	textMost = 64 // bytes of a kind or an identity
)

// Answer is what blkid says of a range. All of it is empty where blkid sees
// nothing.
type Answer struct {
	Kind    string // of a filesystem or member: "ext4"
	UUID    string
	Table   string // kind of a partition table: "gpt", "sun"
	TableID string
}

// Mark is one that wipefs lists.
type Mark struct {
	At     uint64 // byte of its first
	Bytes  uint64
	Kind   string
	UUID   string
	Tables bool // of a partition table
}

// ErrAmbivalent is of a range in which blkid sees several things and believes
// none of them.
var ErrAmbivalent = errors.New("blkid sees several things there at once")

// Blkid asks what a range of an open file or device holds (blkid(8), low-level
// probing). An error means that it is not known.
func Blkid(ctx context.Context, file *os.File, at, size uint64) (Answer, error) {
	said, code, err := ask(ctx, file, "blkid", "--probe", "--output", "export",
		"--offset", strconv.FormatUint(at, 10), "--size", strconv.FormatUint(size, 10))
	switch {
	case err != nil:
		return Answer{}, err
	case code == 2 && len(said) == 0:
		return Answer{}, nil // nothing found
	case code == 8:
		return Answer{}, ErrAmbivalent
	case code != 0:
		return Answer{}, fmt.Errorf("ask blkid: it ended with %d", code)
	}
	var a Answer
	for line := range strings.Lines(string(said)) {
		name, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "=")
		place, wanted := map[string]*string{"TYPE": &a.Kind, "UUID": &a.UUID, "PTTYPE": &a.Table, "PTUUID": &a.TableID}[name]
		if !wanted {
			continue
		}
		if *place = value; len(value) > textMost || value == "" {
			return Answer{}, fmt.Errorf("ask blkid: its %s has %d bytes", name, len(value))
		}
	}
	return a, nil
}

// Wipefs lists every mark on a whole drive or image (wipefs(8); nothing is
// written). An error means that they are not known.
func Wipefs(ctx context.Context, file *os.File) ([]Mark, error) {
	said, code, err := ask(ctx, file, "wipefs", "--no-act", "--json", "--output", "OFFSET,LENGTH,TYPE,USAGE,UUID")
	if err == nil && code != 0 {
		err = fmt.Errorf("it ended with %d", code)
	}
	var answer struct {
		Signatures []struct {
			Offset string
			Length uint64
			Type   string
			Usage  string
			UUID   string
		}
	}
	// Without any mark some versions print nothing at all.
	if err == nil && len(bytes.TrimSpace(said)) > 0 {
		err = json.Unmarshal(said, &answer)
	}
	var list []Mark
	for _, s := range answer.Signatures {
		at, bad := strconv.ParseUint(s.Offset, 0, 64)
		if err == nil && (bad != nil || s.Type == "" || len(s.Type) > textMost || len(s.UUID) > textMost) {
			err = fmt.Errorf("it lists a mark of kind %.64q at %.64q", s.Type, s.Offset)
		}
		list = append(list, Mark{at, s.Length, s.Type, s.UUID, s.Usage == "partition-table"})
	}
	if err != nil {
		return nil, fmt.Errorf("ask wipefs: %w", err)
	}
	return list, nil
}

// ask runs a program on an open file, and gives what it said and its exit code.
// It gets the file itself, since a name may lead to another by then; it opens it
// anew by its number, so that where it reads moves nobody's place.
func ask(ctx context.Context, file *os.File, name string, arguments ...string) ([]byte, int, error) {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	command := exec.Command(name, append(arguments, "/proc/self/fd/3")...)
	command.ExtraFiles = []*os.File{file}
	said, err := program.Run(ctx, command)
	text := bytes.TrimSpace(said.Complaint)
	switch {
	case errors.Is(err, exec.ErrNotFound):
		err = fmt.Errorf("it is not installed (util-linux): %w", err)
	case err != nil && said.Code < 1: // it did not end by itself
	case len(said.Out) > program.MostSaid || len(text) > program.MostSaid:
		err = fmt.Errorf("it says more than %d bytes", program.MostSaid)
	case len(text) > 0 && said.Code != 8:
		// blkid's code for "nothing" is the one for a device that it cannot read.
		err = fmt.Errorf("it says %.200q", text)
	default:
		return said.Out, said.Code, nil
	}
	return nil, 0, fmt.Errorf("ask %s: %w", name, err)
}
