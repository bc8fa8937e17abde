package definition

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/testdata/outside"
)

// libvirt's own schema of definitions, as the Debian package libvirt0 ships it.
const schema = "/usr/share/libvirt/schemas/domain.rng"

// Every definition that comes out of Create, Edit and Transplant validates against
// libvirt's schema, judged by xmllint.
func TestDefinitionsFitLibvirtsSchema(t *testing.T) {
	if _, err := os.Stat(schema); err != nil {
		outside.Missing(t, "libvirt's schemas are not installed (Debian package libvirt0): "+err.Error())
	}
	xmllint, err := exec.LookPath("xmllint")
	if err != nil {
		outside.Missing(t, "xmllint is not installed (Debian package libxml2-utils): "+err.Error())
	}
	texts := texts(t)
	made := rapid.Custom(func(t *rapid.T) string {
		name, before := someDefinition(t, texts)
		after, _, err := Edit(before, someDevices(t, someWanted(t, name)))
		if refused(t, err) {
			return before
		}
		return after
	})
	dir := t.TempDir()
	arguments := []string{"--noout", "--relaxng", schema}
	add := func(name, xml string) {
		file := filepath.Join(dir, name+".xml")
		require.NoError(t, os.WriteFile(file, []byte(xml), 0o600))
		arguments = append(arguments, file)
	}
	for name, xml := range texts {
		add(name, xml)
		moved, _, err := Transplant(xml, there)
		require.NoError(t, err)
		add(name+"-elsewhere", moved)
	}
	for n := range 150 {
		add(fmt.Sprintf("made-%d", n), made.Example(n))
	}
	said, err := exec.Command(xmllint, arguments...).CombinedOutput()
	require.NoError(t, err, "xmllint: %s", said)

	// A schema that takes everything would prove nothing.
	broken := filepath.Join(dir, "broken.xml")
	require.NoError(t, os.WriteFile(broken, []byte("<domain type='kvm'><name>x</name><devices><hostdev/></devices></domain>"), 0o600))
	require.Error(t, exec.Command(xmllint, "--noout", "--relaxng", schema, broken).Run())
}
