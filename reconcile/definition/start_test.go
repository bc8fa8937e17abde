package definition

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// The forms of <os> are those of libvirt's domain format documentation,
// "BIOS bootloader".
func TestReadBoot(t *testing.T) {
	reel := facts.Address{Bus: 1}
	machine := `<type arch='x86_64' machine='pc-q35-7.2'>hvm</type>`
	cases := map[string]struct {
		os, devices string
		want        facts.Boot
	}{
		"BIOS": {`<boot dev='hd'/><boot dev='cdrom'/>`, ``,
			facts.Boot{Firmware: "bios", Kinds: []string{"hd", "cdrom"}}},
		"image by its path": {`<loader readonly='yes' secure='yes' type='pflash'>/fw/CODE.fd</loader><nvram template='/fw/VARS.fd'>/nvram/a.fd</nvram>`, ``,
			facts.Boot{Firmware: "uefi", Loader: "/fw/CODE.fd", NVRAM: "/nvram/a.fd", Template: "/fw/VARS.fd", Secure: true}},
		"variable store as a source": {`<loader type='pflash'>/fw/CODE.fd</loader><nvram type='file'><source file='/nvram/b.fd'/></nvram>`, ``,
			facts.Boot{Firmware: "uefi", Loader: "/fw/CODE.fd", NVRAM: "/nvram/b.fd"}},
		"a loader of another kind": {`<loader type='rom'>/fw/some.bin</loader>`, ``,
			facts.Boot{Loader: "/fw/some.bin"}},
		"boot orders": {``, `<disk type='file'><target dev='vda'/><boot order='2'/></disk>
			<hostdev type='pci'><source><address domain='0x0000' bus='0x01' slot='0x00' function='0x0'/></source><boot order='1'/></hostdev>
			<interface type='network'><mac address='52:54:00:00:00:01'/></interface>`,
			facts.Boot{Firmware: "bios", Ranked: []facts.Ranked{{Device: "disk vda", Order: 2}, {Device: "the device at 0000:01:00.0", Order: 1, Hostdev: &reel}}}},
		"an order that is none": {``, `<disk type='file'><target dev='vda'/><boot order='first'/></disk>`, facts.Boot{Firmware: "bios"}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			d, err := Read(`<domain><os>` + machine + c.os + `</os><devices>` + c.devices + `</devices></domain>`)
			require.NoError(t, err)
			c.want.Architecture, c.want.Machine = "x86_64", "pc-q35-7.2"
			assert.Equal(t, c.want, d.Boot)
		})
	}
}

func TestReadAutomaticChoice(t *testing.T) {
	d, err := Read(`<domain><os firmware='efi'><type arch='x86_64' machine='q35'>hvm</type>
		<firmware><feature enabled='no' name='enrolled-keys'/><feature enabled='yes' name='secure-boot'/></firmware></os></domain>`)
	require.NoError(t, err)
	assert.Equal(t, facts.Boot{Firmware: "uefi", Automatic: true, Architecture: "x86_64", Machine: "q35",
		Asked: []facts.Feature{{Name: "enrolled-keys"}, {Name: "secure-boot", Enabled: true}}}, d.Boot)
	d, err = Read(`<domain/>`)
	require.NoError(t, err)
	assert.Equal(t, facts.Boot{Firmware: "bios"}, d.Boot)
}
