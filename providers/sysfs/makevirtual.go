package sysfs

import (
	"context"
	"fmt"
	"path/filepath"
	"strconv"

	"lendkeep/reconcile/facts"
)

// MakeVirtual has a function make that many virtual functions (SR-IOV), and reads the
// number back. The kernel answers EBUSY where it has another number than none (Linux
// drivers/pci/iov.c, sriov_numvfs_store), so all that it has go first.
func (t Tree) MakeVirtual(ctx context.Context, at facts.Address, count int) error {
	what := fmt.Sprintf("have %s make %d virtual functions", at, count)
	if t.live == "" {
		return fmt.Errorf("%s: %w", what, errReadOnly)
	}
	made, err := t.virtuals(at)
	if err == nil && made != 0 && made != count {
		if err = t.makeVirtual(ctx, at, 0); err == nil {
			made, err = t.virtuals(at)
		}
	}
	if err == nil && made != count {
		if err = t.makeVirtual(ctx, at, count); err == nil {
			made, err = t.virtuals(at)
		}
	}
	if err == nil && made != count {
		err = fmt.Errorf("the kernel says that it has %d", made)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

func (t Tree) makeVirtual(ctx context.Context, at facts.Address, count int) error {
	return t.put(ctx, filepath.Join(t.file(devicesDir, at.String()), "sriov_numvfs"), strconv.Itoa(count))
}

// virtuals reads how many virtual functions a function has. One that makes none has no
// such file.
func (t Tree) virtuals(at facts.Address) (int, error) {
	var gaps []facts.Gap
	p := place{&reader{fsys: t.fsys}, devicesDir + "/" + at.String(), &gaps}
	made := int(p.number("virtual_functions", "sriov_numvfs", 10, 16))
	if len(gaps) > 0 {
		return 0, fmt.Errorf("read %s: %s", gaps[0].Path, gaps[0].Reason)
	}
	return made, nil
}
