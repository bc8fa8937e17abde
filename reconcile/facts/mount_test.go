package facts_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// What is mounted there by the name of another, or by somebody else, is not it.
func TestMountOf(t *testing.T) {
	part := &facts.Block{Devno: facts.Devno{Major: 259, Minor: 2}}
	it := facts.Mount{Devno: part.Devno, Path: "/srv/shelf"}
	other, elsewhere := it, it
	other.Devno.Minor++
	elsewhere.Elsewhere = "sh (pid 77)"
	assert.True(t, it.Of(part, "/srv/shelf"))
	for what, m := range map[string]*facts.Mount{"another partition": &other, "in another mount namespace": &elsewhere, "nothing": nil} {
		assert.False(t, m.Of(part, "/srv/shelf"), what)
	}
	assert.False(t, it.Of(part, "/srv"), "elsewhere")
	unknown := facts.Mount{Path: it.Path}
	assert.False(t, unknown.Of(&facts.Block{}, it.Path), "neither number is known")
	assert.False(t, it.Of(nil, "/srv/shelf"), "the partition is not there")
}

// A filesystem that spans devices is mounted from each of them, also from those
// whose number is not known as its own is not.
func TestMountOfDevicesWithoutNumbers(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "shelf")
	b.Block("nvme0n1p1").Devno = facts.Devno{}
	b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devices: []string{"nvme0n1p1"}, Root: "/", Path: "/srv/shelf", Kind: "btrfs"})
	uses := facts.NewIndex(&b.Survey).LiveUses(at)
	assert.True(t, slices.ContainsFunc(uses, func(u facts.Use) bool { return u.Kind == facts.UseMount && u.Mount.Path == "/srv/shelf" }), "%v", uses)
}
