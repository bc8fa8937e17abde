package guid

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestGUID(t *testing.T) {
	g, err := Parse("00112233-4455-6677-8899-aAbBccddeeff")
	require.NoError(t, err)
	// UEFI 2.10, appendix A: three fields little endian.
	assert.Equal(t, GUID{0x33, 0x22, 0x11, 0x00, 0x55, 0x44, 0x77, 0x66, 0x88, 0x99, 0xaa, 0xbb, 0xcc, 0xdd, 0xee, 0xff}, g)
	assert.Equal(t, "00112233-4455-6677-8899-aabbccddeeff", g.String())
	assert.Equal(t, "00112233-4455-6677-8899-AABBCCDDEEFF", g.Upper())
	for _, wrong := range []string{"", "00112233-4455-6677-8899-aabbccddeef", "00112233-4455-6677-8899-aabbccddeefg",
		"001122334-455-6677-8899-aabbccddeeff", "00112233445566778899aabbccddeeff0000", "{00112233-4455-6677-8899-aabbccddeef}"} {
		_, err := Parse(wrong)
		assert.Error(t, err, wrong)
	}
}

func FuzzParse(f *testing.F) {
	f.Add("00112233-4455-6677-8899-aabbccddeeff")
	f.Fuzz(func(t *testing.T, text string) {
		g, err := Parse(text)
		if err != nil {
			return
		}
		again, err := Parse(g.Upper())
		require.NoError(t, err)
		require.Equal(t, g, again)
	})
}
