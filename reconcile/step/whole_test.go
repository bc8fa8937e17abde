package step_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/step"
)

// What came up between planning and the deed refuses the start: a function that
// only the definition holds and disks are judged as fully as what is borrowed.
func TestStartLooksAtTheWholeDefinition(t *testing.T) {
	disk := "<disk type='block' device='disk'><source dev='/dev/nvme0n1p1'/><target dev='vdz'/></disk>"
	for name, c := range map[string]struct {
		change func(b *invented.Builder, films facts.Address)
		says   string // empty: it may start
	}{
		"nothing":          {func(*invented.Builder, facts.Address) {}, ""},
		"undeclared, free": {func(b *invented.Builder, films facts.Address) { b.Hold("grading", films) }, ""},
		"undeclared, mounted": {func(b *invented.Builder, films facts.Address) {
			b.Hold("grading", films)
			b.Mount("nvme0n1p1", "/srv/films")
		}, "mount /srv/films"},
		"undeclared, gone": {func(b *invented.Builder, films facts.Address) { b.Hold("grading", facts.Address{Bus: 9}) }, "0000:09:00.0, where nothing sits"},
		"undeclared, in a group with others": {func(b *invented.Builder, films facts.Address) {
			b.Hold("grading", films)
			b.Card(films, "e1000e")
		}, "82574L"},
		"undeclared, with the whole group": {func(b *invented.Builder, films facts.Address) {
			b.Hold("grading", films)
			b.Hold("grading", b.Card(films, "e1000e"))
		}, ""},
		"undeclared, with another guest": {func(b *invented.Builder, films facts.Address) {
			b.Hold("grading", films)
			b.Guest("other", "")
			b.Hold("other", films)
			b.Run("other")
		}, "guest other runs"},
		"a partition that is mounted": {func(b *invented.Builder, films facts.Address) {
			b.Device("grading", disk)
			b.Mount("nvme0n1p1", "/srv/films")
		}, "mount /srv/films"},
		"a partition that is free": {func(b *invented.Builder, films facts.Address) { b.Device("grading", disk) }, ""},
		"the image of another guest": {func(b *invented.Builder, films facts.Address) {
			b.Guest("other", "/srv/images/grading.qcow2")
			b.Run("other")
		}, "/srv/images/grading.qcow2"},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			films := b.NVMe("RL-4410-0088", "films")
			b.Guest("grading", "/srv/images/grading.qcow2")
			c.change(b, films)
			survey := b.Survey.Answered()
			err := (&step.StartGuest{Guest: "grading"}).Ready(facts.NewIndex(&survey))
			if c.says == "" {
				require.NoError(t, err)
				return
			}
			assert.ErrorContains(t, err, c.says)
		})
	}
}
