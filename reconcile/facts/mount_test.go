package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
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
	assert.False(t, it.Of(nil, "/srv/shelf"), "the partition is not there")
}
