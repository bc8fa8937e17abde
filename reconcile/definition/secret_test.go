package definition

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestKeepSecrets(t *testing.T) {
	full := `<domain><devices><graphics type='vnc' passwd='a&apos;b' passwdValidTo='2027-01-01T00:00:00'/><graphics type='spice' passwd='s' connected='keep'/></devices></domain>`
	xml := `<domain><devices><graphics type='spice'/><graphics type="vnc" port='-1'/><graphics type='vnc'/></devices></domain>`
	got, err := KeepSecrets(xml, full)
	require.NoError(t, err)
	assert.Equal(t, `<domain><devices><graphics type='spice' passwd='s' connected='keep'/><graphics type='vnc' port='-1' passwd='a&apos;b' passwdValidTo='2027-01-01T00:00:00'/><graphics type='vnc'/></devices></domain>`, got)

	given := `<domain><devices><graphics type='vnc' passwd='new'/></devices></domain>`
	got, err = KeepSecrets(given, full)
	require.NoError(t, err)
	assert.Contains(t, got, "passwd='new'")

	got, err = KeepSecrets(sample(t, "grading"), sample(t, "grading"))
	require.NoError(t, err)
	assert.Equal(t, sample(t, "grading"), got)

	_, err = KeepSecrets("", full)
	assert.Error(t, err)
	_, err = KeepSecrets(full, "")
	assert.Error(t, err)
}
