package emulated

import (
	"bytes"
	"context"
	"path/filepath"
	"testing"

	"github.com/gofrs/flock"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestTakeTurn(t *testing.T) {
	name := filepath.Join(t.TempDir(), "lock")
	var said bytes.Buffer
	first, second := flock.New(name), flock.New(name)
	require.NoError(t, takeTurn(t.Context(), first, &said))
	assert.Empty(t, said.String())

	ended, cancel := context.WithCancel(t.Context())
	cancel()
	assert.ErrorIs(t, takeTurn(ended, second, &said), context.Canceled)
	assert.Contains(t, said.String(), "waiting")

	require.NoError(t, first.Unlock())
	require.NoError(t, takeTurn(t.Context(), second, &said))
	require.NoError(t, second.Unlock())
}
