package agent

import (
	"context"
	"errors"
	"fmt"
)

// pieceBytes is how much of a file goes with one command. 48 MiB breaks the agent's
// reader, and libvirt takes no string of more than 4 MiB (measured with QEMU 7.2);
// small ones keep the agent of a slow guest within answerWithin.
const pieceBytes = 64 << 10

// open opens a file of the guest's, as fopen(3) does, and closes it whatever happens.
func (g *Guest) open(ctx context.Context, path, mode string, use func(handle int64) error) error {
	handle, err := ask(ctx, g, "guest-file-open", map[string]string{"path": path, "mode": mode}, readID)
	if err != nil {
		return err
	}
	err = use(handle)
	_, closed := ask(context.WithoutCancel(ctx), g, "guest-file-close", map[string]int64{"handle": handle}, readNothing)
	return errors.Join(err, closed)
}

// write makes a file of the guest's; wrote hears how many bytes are there.
func (g *Guest) write(ctx context.Context, path string, content []byte, wrote func(done int)) error {
	err := g.open(ctx, path, "wb", func(handle int64) error {
		for done := 0; done < len(content); {
			part := content[done:min(done+pieceBytes, len(content))]
			n, err := ask(ctx, g, "guest-file-write", struct {
				Handle int64  `json:"handle"`
				Bytes  []byte `json:"buf-b64"`
			}{handle, part}, readWritten)
			if err == nil && n != len(part) {
				err = fmt.Errorf("%d of %d bytes were written", n, len(part))
			}
			if err != nil {
				return err
			}
			done += n
			wrote(done)
		}
		_, err := ask(ctx, g, "guest-file-flush", map[string]int64{"handle": handle}, readNothing)
		return err
	})
	if err != nil {
		return fmt.Errorf("write %s in guest %s: %w", path, g.Name, err)
	}
	return nil
}

// Fetch reads a file of the guest's of at most so many bytes; read hears how many
// are there.
func (g *Guest) Fetch(ctx context.Context, path string, most int, read func(done int)) ([]byte, error) {
	var content []byte
	err := g.open(ctx, path, "rb", func(handle int64) error {
		for {
			p, err := ask(ctx, g, "guest-file-read", map[string]int64{"handle": handle, "count": pieceBytes}, readPiece(pieceBytes))
			if err != nil {
				return err
			}
			content = append(content, p.content...)
			switch {
			case len(content) > most:
				return fmt.Errorf("it has more than the %d bytes that are read", most)
			case p.last:
				return nil
			case len(p.content) == 0:
				return errors.New("it neither goes on nor ends")
			}
			read(len(content))
		}
	})
	if err != nil {
		return nil, fmt.Errorf("read %s in guest %s: %w", path, g.Name, err)
	}
	return content, nil
}
