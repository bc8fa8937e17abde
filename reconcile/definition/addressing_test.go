package definition

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// The forms are those of libvirt's schema (domaincommon.rng: maxphysaddr, sysinfo
// fwcfg, hard_limit; domain.rng of its QEMU namespace).
func TestAddressingIsRead(t *testing.T) {
	for xml, want := range map[string]facts.Addressing{
		`<domain/>`: {},
		`<domain><cpu mode='host-passthrough'><maxphysaddr mode='passthrough'/></cpu></domain>`:                                                                                                   {HostBits: true, HostMaker: true},
		`<domain><cpu mode='host-passthrough'><maxphysaddr mode='passthrough' limit='40'/></cpu></domain>`:                                                                                        {HostBits: true, HostMaker: true},
		`<domain><cpu mode='custom'><model>qemu64</model><maxphysaddr mode='emulate' bits='42'/></cpu></domain>`:                                                                                  {Bits: 42},
		`<domain><cpu mode='host-model'><maxphysaddr mode='emulate' bits='many'/></cpu></domain>`:                                                                                                 {HostMaker: true},
		`<domain><sysinfo type='fwcfg'><entry name='opt/ovmf/X-PciMmio64Mb'>65536</entry></sysinfo></domain>`:                                                                                     {WindowMiB: 65536},
		`<domain><sysinfo type='smbios'><entry name='opt/ovmf/X-PciMmio64Mb'>65536</entry></sysinfo></domain>`:                                                                                    {},
		`<domain xmlns:q='http://libvirt.org/schemas/domain/qemu/1.0'><q:commandline><q:arg value='-fw_cfg'/><q:arg value='name=opt/ovmf/X-PciMmio64Mb,string=131072'/></q:commandline></domain>`: {WindowMiB: 131072},
		`<domain xmlns:q='urn:other'><q:commandline><q:arg value='name=opt/ovmf/X-PciMmio64Mb,string=131072'/></q:commandline></domain>`:                                                          {},
		`<domain><memtune><hard_limit unit='GiB'>9</hard_limit></memtune><devices><iommu model='intel'/></devices></domain>`:                                                                      {LimitBytes: 9 << 30, IOMMU: true},
	} {
		d, err := Read(xml)
		require.NoError(t, err, xml)
		assert.Equal(t, want, d.Addressing, xml)
	}
	_, err := Read(`<domain><memtune><hard_limit>much</hard_limit></memtune></domain>`)
	assert.ErrorContains(t, err, "hard_limit")
}
