package sysfs

import (
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// The value is what OpenSSL 3.0 gives:
//
//	printf 'lendkeep: machine' | openssl dgst -sha256 -mac HMAC -macopt hexkey:0f1e2d3c4b5a69788796a5b4c3d2e1f0
func TestMachineID(t *testing.T) {
	for name, c := range map[string]struct {
		content string // of /etc/machine-id; empty: none
		live    bool
		want    string
		gap     string
	}{
		"one":                          {"0f1e2d3c4b5a69788796a5b4c3d2e1f0\n", true, "0acef3a8d21a99ac1c7121935146acb9", ""},
		"none in a captured tree":      {"", false, "", ""},
		"none on this machine":         {"", true, "", "it is not there (systemd-machine-id-setup makes one)"},
		"not yet made (machine-id(5))": {"uninitialized\n", true, "", "it is no machine id"},
		"cut":                          {"0f1e2d3c4b5a", true, "", errCut.Error()},
		"too short":                    {"0f1e2d3c4b5a\n", true, "", "it is no machine id"},
	} {
		t.Run(name, func(t *testing.T) {
			files := fstest.MapFS{"etc": {Mode: 0o755 | 1<<31}}
			if c.content != "" {
				files["etc/machine-id"] = &fstest.MapFile{Data: []byte(c.content)}
			}
			tree, err := OpenFS(files)
			require.NoError(t, err)
			s := &survey{reader: reader{fsys: tree.fsys}, machine: c.live}
			assert.Equal(t, c.want, s.machineID())
			if c.gap == "" {
				assert.Empty(t, s.out.Gaps)
			} else {
				assert.Equal(t, []facts.Gap{{Fact: "machine.id", Path: "/etc/machine-id", Reason: c.gap}}, s.out.Gaps)
			}
		})
	}
}
