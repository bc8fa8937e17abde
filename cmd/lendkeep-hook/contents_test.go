package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// A drive that cannot be looked into is noted as such, so that nothing on it
// counts as clean; one from which nothing is to be mounted is left alone.
func TestContentsThatCannotBeRead(t *testing.T) {
	b := newBench(t)
	rules, err := guard.Decode(b.Survey.Guard.Rules)
	require.NoError(t, err)
	readContents(&b.Survey, rules)
	assert.Empty(t, b.Survey.Contents, "the shelf is mounted")

	b.Survey.Mounts = b.Survey.Mounts[:1]
	readContents(&b.Survey, rules) // no machine has an nvme0n1 with the number of an invented host's
	require.Len(t, b.Survey.Contents, 1)
	assert.Equal(t, "nvme0n1", b.Survey.Contents[0].Of)
	assert.NotEmpty(t, b.Survey.Contents[0].Gaps)
	assert.Contains(t, guard.After(rules, facts.NewIndex(&b.Survey), guard.Call{Guest: "l2"}).Words()[0], "whether it was left clean is not known")
}

func TestDriveOfAnotherNumber(t *testing.T) {
	_, err := readContent("/dev/null", &facts.Block{Name: "null", Devno: facts.Devno{Major: 259}})
	assert.ErrorContains(t, err, "not 259:0")
	_, err = readContent("/dev/no-such-drive", &facts.Block{})
	assert.ErrorContains(t, err, "no such file")
}
