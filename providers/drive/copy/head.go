package copy

import (
	"bytes"
	"errors"
	"fmt"
)

// mark makes the head of the target the mark with zeroes behind it.
func (c *copying) mark() error {
	buffer := <-c.space.single
	defer func() { c.space.single <- buffer }()
	head := buffer[:c.head]
	clear(head)
	copy(head, c.options.Mark)
	if err := c.writeAt(head, 0); err != nil {
		return err
	}
	if err := c.to.Sync(); err != nil {
		return fmt.Errorf("mark the %s: %w", c.options.To, err)
	}
	marked, err := c.marked()
	if err == nil && !marked {
		err = fmt.Errorf("the %s did not keep its mark: it takes writes and loses them", c.options.To)
	}
	return err
}

// marked tells whether the target begins with the mark.
func (c *copying) marked() (bool, error) {
	buffer := <-c.space.single
	defer func() { c.space.single <- buffer }()
	start := buffer[:min(c.head, grain)]
	err := c.readTarget(start, 0)
	return bytes.HasPrefix(start, []byte(c.options.Mark)), err
}

// end writes the head once all the rest is proven. Its first grain comes last:
// without its first sector, of which the mark is a part, no table is seen.
func (c *copying) end() error {
	c.gauge.add(PhaseTable, 0)
	if now := c.from.Stamp(); now != c.stamp {
		return fmt.Errorf("the %s was written while it was copied, so the copy is a mix of old and new: see that nothing uses the %[1]s, then try again", c.options.From)
	}
	for _, p := range []piece{{grain, c.head - grain, false}, {0, min(c.head, grain), false}} {
		if p.length <= 0 {
			continue
		}
		if err := c.writeHead(p); err != nil {
			return err
		}
	}
	if now := c.from.Stamp(); now != c.stamp {
		// The table is there and the rest may be older: take it away again.
		return errors.Join(fmt.Errorf("the %s was written while its beginning was copied: see that nothing uses the %[1]s, then try again", c.options.From), c.mark())
	}
	c.gauge.add(PhaseTable, c.head)
	if c.record == nil {
		return nil
	}
	return c.record.remove()
}

// writeHead writes one piece of the head, as data, and reads it back.
func (c *copying) writeHead(p piece) error {
	pair := <-c.space.pairs
	defer func() { c.space.pairs <- pair }()
	want, got := pair[0][:p.length], pair[1][:p.length]
	if err := c.readSource(want, p.offset); err != nil {
		return err
	}
	if err := c.writeAt(want, p.offset); err != nil {
		return err
	}
	if err := c.to.Sync(); err != nil {
		return fmt.Errorf("bring the beginning onto the %s: %w", c.options.To, err)
	}
	return c.checkBlock(p, want, got)
}
