package dump

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

// capable are domain capabilities in libvirt's format
// , with parts to be replaced.
func capable(devices, features string) string {
	return "<domainCapabilities><path>/usr/bin/qemu-system-x86_64</path><domain>kvm</domain><machine>pc-q35-7.2</machine><arch>x86_64</arch>" +
		"<os supported='yes'><loader supported='no'/></os>" +
		"<devices>" + devices + "</devices><features>" + features + "</features></domainCapabilities>"
}

const (
	tpm    = "<tpm supported='yes'><enum name='model'><value>tpm-tis</value><value>tpm-crb</value></enum><enum name='backendModel'><value>passthrough</value><value>emulator</value></enum><enum name='backendVersion'><value>1.2</value><value>2.0</value></enum></tpm>"
	host   = "<tpm supported='yes'><enum name='model'><value>tpm-tis</value></enum><enum name='backendModel'><value>passthrough</value></enum><enum name='backendVersion'/></tpm>"
	oldTPM = "<tpm supported='yes'><enum name='model'><value>tpm-tis</value></enum><enum name='backendModel'><value>emulator</value></enum><enum name='backendVersion'><value>1.2</value></enum></tpm>"
	rng    = "<rng supported='yes'><enum name='model'><value>virtio</value></enum><enum name='backendModel'><value>random</value><value>egd</value></enum></rng>"
	socket = "<rng supported='yes'><enum name='model'><value>virtio</value></enum><enum name='backendModel'><value>egd</value></enum></rng>"
	hyperv = "<hyperv supported='yes'><enum name='features'><value>relaxed</value><value>vapic</value></enum></hyperv>"
)

var capabilityCases = map[string]struct {
	text string
	want facts.Offers
}{
	"all":                     {capable(rng+tpm, hyperv), facts.Offers{TPM: []string{"tpm-tis", "tpm-crb"}, HyperV: []string{"relaxed", "vapic"}, Random: true}},
	"nothing":                 {capable("", ""), facts.Offers{}},
	"the host's TPM alone":    {capable(host, ""), facts.Offers{}},
	"a TPM that is too old":   {capable(oldTPM, ""), facts.Offers{}},
	"random bytes by network": {capable(socket, ""), facts.Offers{}},
	"what is not supported": {capable("<rng supported='no'><enum name='model'><value>virtio</value></enum><enum name='backendModel'><value>random</value></enum></rng>",
		"<hyperv supported='no'><enum name='features'><value>relaxed</value></enum></hyperv>"), facts.Offers{}},
}

func TestOffered(t *testing.T) {
	for name, c := range capabilityCases {
		t.Run(name, func(t *testing.T) {
			var s Seen
			require.NoError(t, s.Offered(c.text))
			assert.Equal(t, c.want, s.Offers)
		})
	}
	var s Seen
	assert.ErrorContains(t, s.Offered("<capabilities/>"), "read domain capabilities")
}

// The texts above are such as libvirt prints, by its own schema.
func TestCapabilitiesFitLibvirtsSchema(t *testing.T) {
	const schema = "/usr/share/libvirt/schemas/domaincaps.rng"
	if _, err := os.Stat(schema); err != nil {
		outside.Missing(t, "libvirt's schemas are not installed (Debian package libvirt0): "+err.Error())
	}
	xmllint, err := exec.LookPath("xmllint")
	if err != nil {
		outside.Missing(t, "xmllint is not installed (Debian package libxml2-utils): "+err.Error())
	}
	for name, c := range capabilityCases {
		file := filepath.Join(t.TempDir(), "caps.xml")
		require.NoError(t, os.WriteFile(file, []byte(c.text), 0o600))
		said, err := exec.Command(xmllint, "--noout", "--relaxng", schema, file).CombinedOutput()
		assert.NoError(t, err, "%s: %s", name, said)
	}
}

func TestFromFilesReadsWhatIsOffered(t *testing.T) {
	folder := captured(t)
	assert.Equal(t, facts.Offers{Why: "libvirt's domain capabilities are not among its answers"}, FromFiles(folder).Offers)
	folder["domaincapabilities.xml"] = file(capabilityCases["all"].text)
	assert.Equal(t, capabilityCases["all"].want, FromFiles(folder).Offers)
	assert.Empty(t, FromFiles(folder).Gaps)
	folder["domaincapabilities.xml"] = file("<domain")
	assert.Contains(t, FromFiles(folder).Offers.Why, "read domain capabilities")
	assert.Empty(t, FromFiles(folder).Gaps)
}
