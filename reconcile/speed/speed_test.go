package speed_test

import (
	"bytes"
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/speed"
)

// steady runs at so many megabytes a second, one more with each run.
func steady(mb float64) func(speed.Kind, int) float64 {
	return func(_ speed.Kind, i int) float64 { return (mb + float64(i)) * 1e6 }
}

func TestDecodeOfEncode(t *testing.T) {
	bare := invented.Measured("before", steady(500))
	full := bare
	full.Host = &speed.Host{Guest: "grading", Others: []string{"ledger"}, Lent: true}
	virtual := bare
	virtual.Host = &speed.Host{Guest: "grading", Others: []string{}, Disk: &speed.VirtualDisk{Name: "vda", Cache: "none"}}
	for _, r := range []speed.Result{bare, full, virtual} {
		content, err := r.Encode()
		require.NoError(t, err)
		got, err := speed.Decode(content)
		require.NoError(t, err)
		r.Sum = got.Sum
		assert.Equal(t, r, got)
		again, err := got.Encode()
		require.NoError(t, err)
		assert.Equal(t, string(content), string(again))
	}
}

// Whatever is read can be written again, and is read to the same. The sum is made
// anew for what the fuzzer has changed, since it would never find one.
func FuzzDecode(f *testing.F) {
	content, err := invented.Measured("before", steady(500)).Encode()
	require.NoError(f, err)
	f.Add(content)
	f.Fuzz(func(t *testing.T, content []byte) {
		_, _ = speed.Decode(content)
		var changed speed.Result
		if json.Unmarshal(content, &changed) != nil {
			return
		}
		made, err := changed.Encode()
		if err != nil {
			return
		}
		require.False(t, bytes.ContainsRune(made, 0x1b))
		r, err := speed.Decode(made)
		require.NoError(t, err)
		again, err := r.Encode()
		require.NoError(t, err)
		require.Equal(t, string(made), string(again))
	})
}
