package sysfs

import (
	"context"
	"fmt"
	"os"
	"strconv"

	"lendkeep/reconcile/facts"
)

// KeepPages sets nr_hugepages of a node, and reads it back: the kernel answers no
// error where it finds fewer pages (Linux
// Documentation/admin-guide/mm/hugetlbpage.rst).
func (t Tree) KeepPages(ctx context.Context, node int, sizeBytes uint64, pages int) error {
	what := fmt.Sprintf("keep %d huge pages of %s on node %d", pages, facts.Size(sizeBytes), node)
	if t.live == "" {
		return fmt.Errorf("%s: %w", what, errReadOnly)
	}
	dir := fmt.Sprintf("sys/devices/system/node/node%d/hugepages/hugepages-%dkB", node, sizeBytes>>10)
	file := t.file(dir, "nr_hugepages")
	if _, err := os.Lstat(file); err != nil {
		return fmt.Errorf("%s: the kernel has none of that size there: %w", what, err)
	}
	if err := t.put(ctx, file, strconv.Itoa(pages)); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	var gaps []facts.Gap
	p := place{&reader{fsys: t.fsys}, dir, &gaps}
	kept := facts.Pages{Total: int(p.number("pages", "nr_hugepages", 10, 31)), Surplus: int(p.number("pages", "surplus_hugepages", 10, 31))}.Kept()
	switch {
	case len(gaps) > 0:
		return fmt.Errorf("%s: read %s back: %s", what, gaps[0].Path, gaps[0].Reason)
	case kept < pages:
		return fmt.Errorf("%s: the kernel has found %d; the rest of the node's memory is in use or in pieces: shut guests down, or reserve them when the host starts (hugepages= on the kernel's command line)", what, kept)
	default:
		return nil
	}
}
