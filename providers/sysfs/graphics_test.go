package sysfs

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

func TestGraphicsCard(t *testing.T) {
	survey := surveyOf(t, laidOver(t, "graphics.txtar"))
	require.Empty(t, survey.Gaps)
	card := facts.NewIndex(&survey).Function(address(t, "0000:04:00.0"))
	require.Empty(t, card.Gaps)
	assert.True(t, card.BootVGA)
	assert.Equal(t, &facts.OptionROM{SizeBytes: 128 << 10, Shadow: true}, card.OptionROM)
	assert.Equal(t, []facts.BAR{
		{Index: 0, Start: 0xfb000000, SizeBytes: 16 << 20}, // too small to be asked for other sizes
		{Index: 1, Start: 0x7c00000000, SizeBytes: 16 << 30, Wide: true, Prefetch: true, Sizes: 0x7fc0},
		{Index: 3, Start: 0x8000000000, SizeBytes: 32 << 20, Wide: true, Prefetch: true},
		{Index: 5, Start: 0xe000, SizeBytes: 128, IO: true},
	}, card.BARs)
}
