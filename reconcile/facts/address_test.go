package facts_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
)

// An address type is tested by round trip, never by its own output alone.
func TestAddressRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := facts.Address{
			Segment: rapid.Uint16().Draw(t, "segment"), Bus: rapid.Uint8().Draw(t, "bus"),
			Slot: rapid.Uint8Range(0, 31).Draw(t, "slot"), Function: rapid.Uint8Range(0, 7).Draw(t, "function"),
		}
		got, err := facts.ParseAddress(want.String())
		require.NoError(t, err)
		require.Equal(t, want, got)
		content, err := json.Marshal(want)
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(content, &got))
		require.Equal(t, want, got)
	})
}

// What lspci and the kernel print, from the captured host.
func TestAddressAsTheKernelPrintsIt(t *testing.T) {
	got, err := facts.ParseAddress("0000:00:1f.3")
	require.NoError(t, err)
	assert.Equal(t, facts.Address{Slot: 0x1f, Function: 3}, got)
}

func TestWrongAddresses(t *testing.T) {
	for _, text := range []string{"", "00:1f.3", "0000:00:20.0", "0000:00:1f.8", "0000:00:02:1", "0000:00:1f.3 ", "000g:00:1f.3", "+000:00:1f.3", "0000:+1:1f.3"} {
		_, err := facts.ParseAddress(text)
		assert.ErrorContains(t, err, "0000:01:00.0", text)
	}
}

func TestDevno(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := facts.Devno{Major: rapid.Uint32().Draw(t, "major"), Minor: rapid.Uint32().Draw(t, "minor")}
		got, err := facts.ParseDevno(want.String())
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
	for _, text := range []string{"", "259", ":", "259:", "259:x", "-1:0"} {
		_, err := facts.ParseDevno(text)
		assert.Error(t, err, text)
	}
}

func FuzzParseAddress(f *testing.F) {
	f.Add("0000:01:00.0")
	f.Fuzz(func(t *testing.T, text string) {
		if a, err := facts.ParseAddress(text); err == nil {
			again, err := facts.ParseAddress(a.String())
			require.NoError(t, err)
			require.Equal(t, a, again)
		}
	})
}
