package drive

import (
	"context"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/drive/probe"
	"lendkeep/reconcile/facts"
)

// askedMost is how many partitions of one disk blkid is asked about.
const askedMost = 128

// beside lays what blkid and wipefs see of a disk beside our own reading. What
// any of them sees counts; where they contradict each other, or cannot be asked,
// it is a gap.
func beside(ctx context.Context, file *os.File, c *facts.Content) {
	if c.Unfinished != "" {
		return
	}
	if err := wholeBeside(ctx, file, c); err != nil {
		c.Gaps = append(c.Gaps, facts.Gap{Fact: "signature", Path: c.Of, Reason: err.Error()})
	}
	if c.Table == nil {
		return
	}
	for i := range c.Volumes {
		v := &c.Volumes[i]
		err := fmt.Errorf("it is one of more than %d partitions", askedMost)
		if i < askedMost {
			err = partBeside(ctx, file, c, v)
		}
		if err != nil {
			v.Gap = strings.TrimPrefix(v.Gap+"; "+err.Error(), "; ")
			doubt(v, err.Error())
		}
	}
}

func wholeBeside(ctx context.Context, file *os.File, c *facts.Content) error {
	answer, err := probe.Blkid(ctx, file, 0, c.SizeBytes)
	if err != nil {
		return err
	}
	marks, err := probe.Wipefs(ctx, file)
	if err != nil {
		return err
	}
	var kinds, tables []string
	id := answer.UUID
	see := func(list *[]string, kind string) {
		if kind != "" && !slices.Contains(*list, kind) {
			*list = append(*list, kind)
		}
	}
	see(&kinds, answer.Kind)
	see(&tables, answer.Table)
	for _, m := range marks {
		switch {
		case !m.Tables:
			see(&kinds, m.Kind)
		case m.Kind != "PMBR": // a part of a GPT, or what is left of one
			see(&tables, m.Kind)
		}
	}
	if c.Table, c.Signature, err = agreed(c.Table, c.Signature, kinds, tables, id); err != nil {
		return err
	}
	return nil
}

// agreed makes one answer of ours and theirs. A kind of table that is not read
// here stands as a signature: the disk is more than nothing.
func agreed(t *facts.Table, ours *facts.Signature, kinds, tables []string, id string) (*facts.Table, *facts.Signature, error) {
	s, err := either(ours, kinds, id)
	if err != nil {
		return t, ours, err
	}
	for _, kind := range tables {
		switch {
		case t != nil && t.Kind == kind:
		case t == nil && s == nil && len(tables) == 1:
			return nil, &facts.Signature{Kind: kind, Usage: "partition-table"}, nil
		case t == nil && s != nil && kind == "dos":
			// The boot sector of a filesystem ends as such a table does.
		default:
			return t, s, fmt.Errorf("blkid and wipefs see a partition table of kind %s, by our own reading it has %s", kind, (&facts.Content{Table: t, Signature: s}).Describe())
		}
	}
	return t, s, nil
}

// either gives the one signature that ours and theirs come to. Of an array or
// encryption of ours is also what they see beside it.
func either(ours *facts.Signature, theirs []string, id string) (*facts.Signature, error) {
	switch {
	case len(theirs) == 0:
		return ours, nil
	case ours == nil && len(theirs) == 1:
		return &facts.Signature{Kind: theirs[0], Usage: content.UsageOf(theirs[0]), UUID: id}, nil
	case ours != nil && slices.Contains(theirs, ours.Kind) && (len(theirs) == 1 || ours.Usage == "raid" || ours.Usage == "crypto"):
		return ours, nil
	}
	own := "nothing known"
	if ours != nil {
		own = ours.Kind
	}
	return ours, fmt.Errorf("blkid and wipefs see %s, our own reading sees %s", strings.Join(theirs, ", "), own)
}

// partBeside asks blkid about a partition.
func partBeside(ctx context.Context, file *os.File, c *facts.Content, v *facts.Volume) error {
	i := slices.IndexFunc(c.Table.Entries, func(e facts.Entry) bool { return e.Number == v.Number })
	start, size := c.Table.Entries[i].Span(c.SectorBytes)
	answer, err := probe.Blkid(ctx, file, start, size)
	if err != nil {
		return err
	}
	before := v.Signature
	var kinds []string
	if answer.Kind != "" {
		kinds = []string{answer.Kind}
	}
	if v.Signature, err = either(before, kinds, answer.UUID); err != nil {
		return err
	}
	switch {
	case v.Signature == nil && answer.Table != "":
		// A disk of a guest, with a table of its own.
		v.Signature = &facts.Signature{Kind: answer.Table, Usage: "partition-table"}
	case before != nil && answer.Kind == "":
		doubt(v, "blkid does not see "+before.Kind+" there")
	case before == nil && v.Signature != nil:
		doubt(v, "only blkid sees "+answer.Kind+" there")
	}
	return nil
}

// doubt takes back that a filesystem was left clean.
func doubt(v *facts.Volume, why string) {
	if v.Condition == facts.Clean || v.Condition == "" && v.Signature != nil && v.Signature.Usage == "filesystem" {
		v.Condition, v.Why = facts.UnsureIfClean, why
	}
}

// blank tells whether a disk on which nothing is seen is blank all over: a read
// that fails is a gap, a sample that is not at its end in time a no.
func blank(ctx context.Context, r io.ReaderAt, c *facts.Content) {
	if !c.Bare() {
		return
	}
	zero, err := zeroSample(ctx, r, c.SizeBytes)
	if err != nil && ctx.Err() == nil {
		c.Gaps = append(c.Gaps, facts.Gap{Fact: "sample", Path: c.Of, Reason: err.Error()})
	}
	c.Blank = zero && err == nil
}
