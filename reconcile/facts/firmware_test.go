package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// debian is the choice that Debian 12's package ovmf gives (its files in
// /usr/share/qemu/firmware), with an older machine's image before it.
func debian() facts.Survey {
	q35 := []facts.MachineTarget{{Architecture: "x86_64", Machines: []string{"pc-q35-*"}}}
	both := []facts.MachineTarget{{Architecture: "x86_64", Machines: []string{"pc-i440fx-*", "pc-q35-*"}}}
	return facts.Survey{
		Descriptors: []facts.Descriptor{
			{File: "30.json", Image: "/arm.fd", UEFI: true, Targets: []facts.MachineTarget{{Architecture: "aarch64", Machines: []string{"virt-*"}}}},
			{File: "35.json", Image: "/bios.bin", Targets: both},
			{File: "40.json", Image: "/ms.fd", Template: "/ms-vars.fd", UEFI: true, Targets: q35, Features: []string{"enrolled-keys", "requires-smm", "secure-boot"}},
			{File: "50.json", Image: "/secboot.fd", Template: "/vars.fd", UEFI: true, Targets: q35, Features: []string{"requires-smm", "secure-boot"}},
			{File: "60.json", Image: "/plain.fd", Template: "/vars.fd", UEFI: true, Targets: both},
		},
		Firmware: []facts.Firmware{{Path: "/ms.fd", NVMe: facts.Present}, {Path: "/plain.fd", NVMe: facts.Absent}},
		Stores: []facts.VariableStore{
			{Path: "/gone.fd", Missing: true, Keys: facts.Unknown},
			{Path: "/ms-vars.fd", Keys: facts.Present},
			{Path: "/torn.fd", Keys: facts.Unknown, Why: "torn"},
			{Path: "/vars.fd", Keys: facts.Absent},
		},
	}
}

func TestAutomaticChoice(t *testing.T) {
	survey := debian()
	ix := facts.NewIndex(&survey)
	for want, boots := range map[string][]facts.Boot{
		"/ms.fd":      {{Machine: "q35"}, {Machine: "pc-q35-7.2"}, {Machine: "pc-q35-7.2", Secure: true}},
		"/secboot.fd": {{Machine: "q35", Asked: []facts.Feature{{Name: "enrolled-keys"}, {Name: "secure-boot", Enabled: true}}}},
		"/plain.fd":   {{Machine: "pc"}, {Machine: "q35", Asked: []facts.Feature{{Name: "secure-boot"}}}},
		"":            {{Machine: "virt-7.2"}, {Machine: "pc-i440fx-7.2", Secure: true}},
	} {
		for _, b := range boots {
			b.Architecture, b.Automatic = "x86_64", true
			d := ix.Chosen(b)
			if want == "" {
				assert.Nil(t, d, b)
				continue
			}
			require.NotNil(t, d, b)
			assert.Equal(t, want, d.Image, b)
		}
	}
}

func TestFirmwareOf(t *testing.T) {
	survey := debian()
	ix := facts.NewIndex(&survey)
	image, _ := ix.FirmwareOf(facts.Boot{Automatic: true, Architecture: "x86_64", Machine: "q35"})
	require.NotNil(t, image)
	assert.Equal(t, "/ms.fd", image.Path)
	image, _ = ix.FirmwareOf(facts.Boot{Automatic: true, Architecture: "x86_64", Machine: "q35", Loader: "/plain.fd"})
	require.NotNil(t, image, "what libvirt has chosen goes before what it would choose")
	assert.Equal(t, facts.Absent, image.NVMe)
	for why, b := range map[string]facts.Boot{
		"/other.fd":       {Loader: "/other.fd"},
		"names no image":  {},
		"descriptors":     {Automatic: true, Machine: "virt-7.2"},
		"did not look at": {Automatic: true, Architecture: "x86_64", Machine: "q35", Asked: []facts.Feature{{Name: "enrolled-keys"}}},
	} {
		image, said := ix.FirmwareOf(b)
		assert.Nil(t, image)
		assert.Contains(t, said, why)
	}
}

func TestSecureBoot(t *testing.T) {
	survey := debian()
	ix := facts.NewIndex(&survey)
	auto := facts.Boot{Automatic: true, Architecture: "x86_64", Machine: "q35"}
	cases := map[string]struct {
		boot  facts.Boot
		on    facts.Held
		store string
	}{
		"image without it, whatever the store": {facts.Boot{Loader: "/plain.fd", NVRAM: "/ms-vars.fd"}, facts.Absent, ""},
		"keys":                                 {facts.Boot{Loader: "/ms.fd", NVRAM: "/ms-vars.fd"}, facts.Present, "/ms-vars.fd"},
		"no keys":                              {facts.Boot{Loader: "/ms.fd", NVRAM: "/vars.fd"}, facts.Absent, "/vars.fd"},
		"store yet to be made":                 {facts.Boot{Loader: "/ms.fd", NVRAM: "/gone.fd", Template: "/ms-vars.fd"}, facts.Present, "/ms-vars.fd"},
		"store of nothing":                     {facts.Boot{Loader: "/ms.fd", NVRAM: "/gone.fd"}, facts.Unknown, ""},
		"torn store":                           {facts.Boot{Loader: "/ms.fd", NVRAM: "/torn.fd"}, facts.Unknown, "/torn.fd"},
		"store not looked at":                  {facts.Boot{Loader: "/ms.fd", NVRAM: "/x.fd"}, facts.Unknown, "/x.fd"},
		"image that nobody describes":          {facts.Boot{Loader: "/own.fd", NVRAM: "/ms-vars.fd"}, facts.Present, "/ms-vars.fd"},
		"libvirt's choice":                     {auto, facts.Present, "/ms-vars.fd"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			got := ix.SecureBoot(c.boot)
			assert.Equal(t, c.on, got.On)
			assert.Equal(t, c.store, got.Store)
			assert.Equal(t, c.on == facts.Unknown, got.Why != "")
		})
	}
}
