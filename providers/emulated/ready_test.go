package emulated

import (
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestVirtualizes(t *testing.T) {
	for cpuinfo, want := range map[string]bool{
		"processor\t: 0\nflags\t\t: fpu vme svm nx\nbugs\t\t: none\n": true,
		"flags\t\t: fpu vmx\n":                             true,
		"flags\t\t: fpu svm_lock\nvmx flags\t: vnmi ept\n": false,
		"model name\t: a svm of sorts\n":                   false,
		"":                                                 false,
	} {
		assert.Equal(t, want, virtualizes([]byte(cpuinfo)), "%q", cpuinfo)
	}
}

func TestMissingNamesThePackage(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	err := Missing()
	require.Error(t, err)
	readme, readErr := os.ReadFile("../../testdata/emuhost/README.md")
	require.NoError(t, readErr)
	for _, program := range programs {
		assert.ErrorContains(t, err, program[0]+" (package "+program[1]+")")
		if program[1] != "golang" && program[1] != "apt" && program[1] != "dpkg" { // which Debian and Go users have
			assert.Contains(t, string(readme), program[1], "README names every package to install")
		}
	}
}
