package fault_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/fault"
)

func TestModes(t *testing.T) {
	for mode, want := range map[fault.Mode]struct {
		done     int
		err, cut bool
		hung     bool
	}{
		fault.None:        {3, false, false, false},
		fault.Fail:        {2, true, false, false},
		fault.FailAfter:   {3, true, false, false},
		fault.Hang:        {2, true, false, true},
		fault.HangAfter:   {3, true, false, true},
		fault.Pretend:     {2, false, false, false},
		fault.Meddle:      {2, true, false, false},
		fault.FailForever: {1, true, false, false},
		fault.Crash:       {1, false, true, false},
		fault.CrashAfter:  {2, false, true, false},
	} {
		t.Run(string(mode), func(t *testing.T) {
			done, meddled := 0, false
			f := &fault.Fault{Mode: mode, At: 1, Meddler: func() { meddled = true }}
			var errs []error
			cut := func() (cut bool) {
				defer func() { cut = recover() != nil }()
				for range 3 {
					errs = append(errs, f.Host("unmount /x", true, func() error { done++; return nil }))
				}
				return
			}()
			assert.Equal(t, want.done, done)
			assert.Equal(t, want.cut, cut)
			assert.Equal(t, mode == fault.Meddle, meddled)
			if !cut {
				require.Len(t, errs, 3)
				assert.NoError(t, errs[0])
				assert.Equal(t, want.err, errs[1] != nil)
				assert.Equal(t, mode == fault.FailForever, errs[2] != nil)
			}
			if want.hung {
				assert.ErrorIs(t, errs[1], context.DeadlineExceeded)
			}
		})
	}
}

// Only what was synced survives a power cut for good; a part of the rest may.
func TestDisk(t *testing.T) {
	d := &fault.Disk{Fault: &fault.Fault{}}
	_, err := d.Write([]byte("synced\n"))
	require.NoError(t, err)
	require.NoError(t, d.Sync())
	_, err = d.Write([]byte("in flight\n"))
	require.NoError(t, err)
	assert.Equal(t, "synced\nin flight\n", string(d.Killed()))
	assert.Equal(t, "synced\nin fl", string(d.PowerCut()))
}
