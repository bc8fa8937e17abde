package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"

	"github.com/rs/zerolog"

	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/order"
)

// past is what a host's journals tell of its orders, the oldest first: by the
// numbers of the journals, whatever the clock said when they were made.
type past struct {
	folder  string
	machine string  // facts.Machine.ID of this host
	orders  []begun // those of which anything was begun
	last    int     // the highest number of a journal
}

// begun is an order by the events of its journal alone, of whatever version the
// order is.
type begun struct {
	file string
	carry.Outline
}

// over tells whether the order has come to an end that asks nothing of anybody.
func (b begun) over() bool { return b.carried() || b.Ended == carry.Restored }

func (b begun) unended() bool { return !b.over() }

// carried tells whether the order was carried out, and not undone since.
func (b begun) carried() bool { return b.Ended == carry.Carried }

const journalEnd = ".journal"

// numbered is how a journal is named.
func numbered(sequence int) string { return fmt.Sprintf("%08d%s", sequence, journalEnd) }

// timed is how journals were named before they had numbers: by the time, which
// told their sequence as long as the clock went forward.
var timed = regexp.MustCompile(`^\d{8}T\d{6}\.\d{9}Z-[0-9a-f]{12}\.journal$`)

// readPast reads every journal of a folder. One that cannot be read, that is not
// what its name says, or that is missing among the others is an error: whether an
// order has ended is then not known.
func readPast(folder, machine string) (past, error) {
	p := past{folder: folder, machine: machine}
	entries, err := os.ReadDir(folder)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return p, fail(exitUsage, asRoot(err), "read journals: %w", err)
	}
	for _, entry := range entries { // sorted by name
		if filepath.Ext(entry.Name()) != journalEnd {
			continue
		}
		if err := p.read(entry.Name()); err != nil {
			return p, fail(exitPerson, "see what became of that order on the host; then put the right journal back, or the file into another folder", "%w", err)
		}
	}
	slices.SortStableFunc(p.orders, func(a, b begun) int { return cmp.Compare(a.Sequence, b.Sequence) })
	return p, nil
}

func (p *past) read(name string) error {
	file := filepath.Join(p.folder, name)
	sequence, err := sequenceOf(name)
	if err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	if p.last > 0 && sequence > p.last+1 {
		return fmt.Errorf("%s: the journals from %d to %d are missing before it (if nothing of them stands any more, put all older ones into another folder)", file, p.last+1, sequence-1)
	}
	p.last = max(p.last, sequence)
	records, err := journal.ReadFile(file)
	if err != nil {
		return err
	}
	outline, err := carry.Outlined(records)
	switch {
	case err != nil:
		return fmt.Errorf("%s: %w", file, err)
	case !outline.Begun: // cut off before anything was
		return nil
	case outline.Sequence != sequence:
		return fmt.Errorf("%s: by its first record it is number %d, by its name %d", file, outline.Sequence, sequence)
	}
	p.orders = append(p.orders, begun{file, outline})
	return nil
}

// sequenceOf reads a journal's number off its name; 0 for one from before there
// were numbers, which is older than every other.
func sequenceOf(name string) (int, error) {
	if timed.MatchString(name) {
		return 0, nil
	}
	n, err := strconv.Atoi(name[:len(name)-len(journalEnd)])
	if err != nil || n < 1 || numbered(n) != name {
		return 0, errors.New("no journal is named like that")
	}
	return n, nil
}

// next is the number of the next order's journal.
func (p past) next() int { return p.last + 1 }

// unended refuses while an order was begun and has not come to an end.
func (p past) unended() error {
	for _, b := range slices.Backward(p.orders) {
		if b.over() {
			continue
		}
		report, err := b.report()
		switch {
		case err != nil:
			return err
		case report.Sealed.Order.Machine != p.machine:
			return fail(exitUnended, "if this host has nothing of it (its disk was copied): put the file into another folder", "%s is of an order of another machine (host %s) and has not ended; nothing was touched", b.file, report.Sealed.Order.Host)
		case b.Ended == carry.Stuck:
			return fail(exitUnended, "do by hand what it says, then lendkeep rollback", "an earlier order (%s) is stuck: %s; nothing was touched", report.Sealed.Code(), report.Note)
		default:
			return fail(exitUnended, "lendkeep resume to go on with it, or lendkeep rollback to undo it", "an earlier order (%s) was begun and has not ended; nothing was touched", report.Sealed.Code())
		}
	}
	return nil
}

// current gives the order that resume and status are about: the newest that has
// not ended, else the newest. found is false where there is none.
func (p past) current(ctx context.Context) (b begun, report carry.Report, found bool, err error) {
	return p.newest(ctx, begun.unended, begun.over)
}

// undoable gives the order that rollback is about: the newest that has not ended,
// else the newest that was carried out and not rolled back, else the newest.
// after is the newest that was rolled back after it; nil: none was.
func (p past) undoable(ctx context.Context) (b begun, report carry.Report, after *begun, found bool, err error) {
	b, report, found, err = p.newest(ctx, begun.unended, begun.carried, begun.over)
	if !found || err != nil || !b.carried() {
		return b, report, nil, found, err
	}
	for i := slices.Index(p.orders, b) + 1; i < len(p.orders); i++ {
		if !p.orders[i].carried() {
			after = &p.orders[i]
		}
	}
	if after != nil && b.Sequence == 0 {
		err = fail(exitUsage, "undo it by hand, or plan another shift", "order %s was carried out before that, but its journal has no number, so which others came after it is not known; nothing was touched", report.Sealed.Code())
	}
	return b, report, after, found, err
}

// newest gives the newest order of the first kind of which there is one. One of
// another machine is told of and passed over.
func (p past) newest(ctx context.Context, kinds ...func(begun) bool) (b begun, report carry.Report, found bool, err error) {
	for _, is := range kinds {
		for _, b := range slices.Backward(p.orders) {
			if !is(b) {
				continue
			}
			report, err := b.report()
			if err != nil {
				return b, report, false, err
			}
			if report.Sealed.Order.Machine == p.machine {
				return b, report, true, nil
			}
			zerolog.Ctx(ctx).Warn().Str("journal", b.file).Str("host", report.Sealed.Order.Host).Msg("the journal is of another machine and is passed over")
		}
	}
	return begun{}, carry.Report{}, false, nil
}

// report reads a journal with its order.
func (b begun) report() (carry.Report, error) {
	records, err := journal.ReadFile(b.file)
	if err != nil {
		return carry.Report{}, fail(exitPerson, "", "%w", err)
	}
	report, err := carry.Fold(records)
	if errors.Is(err, order.ErrOtherVersion) {
		return report, fail(exitPerson, "go on with the lendkeep that began it, or put the file into another folder once nothing of it stands", "%s: %w", b.file, err)
	}
	if err != nil {
		return report, fail(exitPerson, "", "%s: %w", b.file, err)
	}
	return report, nil
}
