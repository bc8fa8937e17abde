package facts

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The form of a set is that of libvirt's domain format, "vcpu".
func TestParseCPUs(t *testing.T) {
	for text, want := range map[string]string{"0": "0", "3,1-2": "1-3", "0-3,^2": "0-1,3", "8-11,0": "0,8-11", "1, 2": "1-2"} {
		set, err := ParseCPUs(text)
		require.NoError(t, err)
		assert.Equal(t, want, set.String())
	}
	for _, text := range []string{"", "a", "3-1", "0,", "^0", "0-99999", "-1", "1-"} {
		_, err := ParseCPUs(text)
		assert.Error(t, err, text)
	}
}
