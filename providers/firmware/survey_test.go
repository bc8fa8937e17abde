package firmware

import (
	"os"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// surveyed reads the firmware of guests with these boots.
func surveyed(h *Host, boots ...facts.Boot) facts.Survey {
	var s facts.Survey
	for _, b := range boots {
		s.Libvirt.Guests = append(s.Libvirt.Guests, facts.Guest{Kept: &facts.Definition{Boot: b}})
	}
	h.Survey(&s)
	return s
}

// What Debian ships holds the driver, and its keys are told from none.
func TestSurveyOfDebian(t *testing.T) {
	outsideFile(t, ovmfCode, "ovmf")
	s := surveyed(OnHost(os.DirFS("/"), t.TempDir()), facts.Boot{Firmware: "uefi", Loader: ovmfCode, NVRAM: "/nowhere/VARS.fd"})
	ix := facts.NewIndex(&s)
	image := ix.Image(ovmfCode)
	require.NotNil(t, image)
	assert.Equal(t, facts.Firmware{Path: ovmfCode, SHA256: image.SHA256, NVMe: facts.Present, Shell: facts.Present, Driver: image.Driver,
		ShellSum: image.ShellSum, Virtio: facts.Present}, *image)
	assert.Len(t, image.SHA256, 64)
	assert.Len(t, image.Driver, 64)
	assert.Len(t, image.ShellSum, 64)
	stores := map[string]facts.VariableStore{}
	for _, store := range s.Stores {
		stores[store.Path] = store
	}
	assert.True(t, stores["/nowhere/VARS.fd"].Missing)
	assert.Equal(t, facts.Absent, stores[ovmfVars].Keys)
	assert.Equal(t, facts.Present, stores["/usr/share/OVMF/OVMF_VARS_4M.ms.fd"].Keys)
	chosen := ix.Chosen(facts.Boot{Automatic: true, Architecture: "x86_64", Machine: "pc-i440fx-7.2"})
	require.NotNil(t, chosen)
	assert.Equal(t, ovmfCode, chosen.Image)
}

func TestSurveyOfWhatCannotBeRead(t *testing.T) {
	root := fstest.MapFS{
		"fw/text.fd": {Data: []byte("no firmware")},
		"fw/vars.fd": {Data: []byte("no variables")},
	}
	s := surveyed(OnHost(root, ""),
		facts.Boot{Firmware: "uefi", Loader: "/fw/text.fd", NVRAM: "/fw/vars.fd"},
		facts.Boot{Firmware: "uefi", Loader: "/fw/gone.fd"},
		facts.Boot{Firmware: "uefi", Loader: "/fw"},
		facts.Boot{Firmware: "bios", Loader: "/fw/bios.bin"})
	require.Len(t, s.Firmware, 3)
	for _, f := range s.Firmware {
		assert.Equal(t, facts.Unknown, f.NVMe, f.Path)
		assert.NotEmpty(t, f.Why, f.Path)
	}
	require.Len(t, s.Stores, 1)
	assert.Equal(t, facts.Unknown, s.Stores[0].Keys)
	assert.NotEmpty(t, s.Stores[0].Why)
}

func TestSurveyOfWhatOnlyALayoutNames(t *testing.T) {
	s := surveyed(OnHost(fstest.MapFS{"fw/donor.fd": {Data: []byte("x")}}, "", "/fw/donor.fd"))
	require.Len(t, s.Firmware, 1)
	assert.Equal(t, "/fw/donor.fd", s.Firmware[0].Path)
}

// A descriptor that cannot be read may be the one that libvirt chooses: then
// none is taken to be known.
func TestSurveyWithADamagedDescriptor(t *testing.T) {
	whole := &fstest.MapFile{Data: []byte(`{"interface-types": ["uefi"], "mapping": {"device": "flash", "executable": {"filename": "/fw/a.fd"}}}`)}
	root := fstest.MapFS{"usr/share/qemu/firmware/60.json": whole}
	s := surveyed(OnHost(root, ""))
	require.Len(t, s.Descriptors, 1)
	assert.Equal(t, "/usr/share/qemu/firmware/60.json", s.Descriptors[0].File)
	root["usr/share/qemu/firmware/40.json"] = &fstest.MapFile{Data: []byte("{")}
	s = surveyed(OnHost(root, ""))
	assert.Empty(t, s.Descriptors)
	require.Len(t, s.Firmware, 1, "what could be read is looked at all the same")
}

// An answer is remembered as long as the file stays as it is.
func TestSurveySeesAnExchangedImage(t *testing.T) {
	root := fstest.MapFS{"fw/a.fd": {Data: []byte("one image")}}
	h := OnHost(root, "")
	boot := facts.Boot{Firmware: "uefi", Loader: "/fw/a.fd"}
	first := surveyed(h, boot).Firmware[0]
	assert.Equal(t, first, surveyed(h, boot).Firmware[0])
	root["fw/a.fd"] = &fstest.MapFile{Data: []byte("another image")}
	assert.NotEqual(t, first.SHA256, surveyed(h, boot).Firmware[0].SHA256)
}
