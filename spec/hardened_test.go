package spec_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/spec"
)

func TestHardened(t *testing.T) {
	for _, c := range []struct{ stated, with, trusts []string }{
		{nil, []string{"nosuid", "nodev"}, nil},
		{[]string{"noatime"}, []string{"nosuid", "nodev", "noatime"}, nil},
		{[]string{"nodev", "ro"}, []string{"nosuid", "nodev", "ro"}, nil},
		{[]string{"suid"}, []string{"nodev", "suid"}, []string{"suid"}},
		{[]string{"dev", "suid"}, []string{"dev", "suid"}, []string{"suid", "dev"}},
		{[]string{"nosuid", "suid"}, []string{"nodev", "nosuid", "suid"}, []string{"suid"}},
		{[]string{"suid", "nosuid"}, []string{"nodev", "suid", "nosuid"}, nil},
		{[]string{"defaults"}, []string{"nosuid", "nodev", "defaults"}, nil},
	} {
		made := spec.Hardened(c.stated)
		assert.Equal(t, c.with, made)
		assert.Equal(t, c.trusts, spec.Trusts(made), "%v", made)
		assert.Equal(t, made, spec.Hardened(made), "twice is once")
	}
	assert.Equal(t, []string{"suid", "dev"}, spec.Trusts([]string{"rw", "relatime"}), "what the kernel shows of a plain mount")
}
