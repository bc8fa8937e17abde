package holding

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"strings"
	"time"
)

// mapped tells of what a process has mapped which devices that are: it may have closed
// them since. looked has what was looked at already, of whichever process. As its
// command line, a process that hangs may keep this for ever.
func (p process) mapped(ctx context.Context, slow []string, looked map[string]node) ([]node, error) {
	type answer struct {
		list map[string]string
		err  error
	}
	ended := make(chan answer, 1)
	go func() {
		list, err := p.mappings()
		ended <- answer{list, err}
	}()
	var made answer
	select {
	case made = <-ended:
	case <-ctx.Done():
		made.err = ctx.Err()
	case <-time.After(tells):
		made.err = context.DeadlineExceeded
	}
	if vanished(made.err) {
		return nil, nil
	}
	if made.err != nil {
		return nil, fmt.Errorf("look for mapped files of process %s: %w", p.pid, made.err)
	}
	var nodes []node
	for what, at := range made.list {
		n, known := looked[what]
		if !known {
			_, file, _ := strings.Cut(what, " ")
			var err error
			n, err = nodeAt(p.path("map_files/"+at), strings.TrimLeft(file, "0123456789 "), slow)
			if vanished(err) {
				continue // not mapped any more, or elsewhere: another process may have it
			}
			if err != nil {
				return nil, fmt.Errorf("look at what process %s has mapped: %w", p.pid, err)
			}
			looked[what] = n
		}
		if n.kind != other {
			nodes = append(nodes, n)
		}
	}
	return nodes, nil
}

// mappings lists the files that a process has mapped: device of the filesystem, inode
// and path as the kernel prints them, and the name below map_files of one mapping of
// each (proc_pid_maps(5), proc_pid_map_files(5)).
func (p process) mappings() (map[string]string, error) {
	file, err := os.Open(p.path("maps"))
	if err != nil {
		return nil, err
	}
	defer file.Close() // only read
	found := map[string]string{}
	lines := bufio.NewScanner(file)
	for lines.Scan() {
		at, rest, _ := strings.Cut(lines.Text(), " ")
		_, rest, _ = strings.Cut(rest, " ") // permissions
		_, what, _ := strings.Cut(rest, " ")
		if found[what] != "" || !strings.Contains(what, " /") {
			continue // one mapping is enough; memory of its own, or no file with a path
		}
		var from, to uint64
		if _, err := fmt.Sscanf(at, "%x-%x", &from, &to); err != nil {
			return nil, fmt.Errorf("read mapping %q: %w", at, err)
		}
		found[what] = fmt.Sprintf("%x-%x", from, to)
	}
	return found, lines.Err()
}
