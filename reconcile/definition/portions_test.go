package definition

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// Forms of libvirt's domain format: <hugepages>, <numatune>, "Memory devices".
func TestReadPortions(t *testing.T) {
	const (
		cells   = `<cpu><numa><cell id='0' cpus='0' memory='1' unit='GiB'/><cell id='1' cpus='1' memory='2097152'/></numa></cpu>`
		large   = `<page size='1' unit='GiB' nodeset='1'/>`
		gib     = 1 << 30
		backing = `<memoryBacking><hugepages>`
		ends    = `</hugepages></memoryBacking>`
	)
	for name, c := range map[string]struct {
		xml  string
		want []facts.Portion
	}{
		"no nodes of its own":    {backing + ends, nil},
		"no huge pages":          {cells, nil},
		"all of the host's size": {cells + backing + ends, []facts.Portion{{Bytes: gib}, {Bytes: 2 * gib}}},
		"one node alone":         {cells + backing + large + ends, []facts.Portion{{Bytes: 2 * gib, PageBytes: gib}}},
		"the other has the rest": {cells + backing + `<page size='2048'/>` + large + ends, []facts.Portion{{Bytes: gib, PageBytes: 2 << 20}, {Bytes: 2 * gib, PageBytes: gib}}},
		"from nodes of the host's": {cells + backing + ends + `<numatune><memory mode='strict' nodeset='0-1'/><memnode cellid='1' mode='strict' nodeset='1'/></numatune>`,
			[]facts.Portion{{Bytes: gib, Nodes: "0-1"}, {Bytes: 2 * gib, Nodes: "1"}}},
		"preferred is not bound": {cells + backing + ends + `<numatune><memnode cellid='1' mode='preferred' nodeset='1'/></numatune>`,
			[]facts.Portion{{Bytes: gib}, {Bytes: 2 * gib}}},
		"memory devices": {cells + backing + large + ends + `<devices><memory model='dimm'><target><size unit='MiB'>512</size><node>1</node></target></memory>
			<memory model='dimm'><source><pagesize>2048</pagesize><nodemask>1</nodemask></source><target><size>1024</size><node>0</node></target></memory>
			<memory model='virtio-mem'><target><size unit='GiB'>4</size><requested unit='GiB'>1</requested><node>1</node></target></memory>
			<memory model='dimm'><target><size>1024</size><node>0</node></target></memory></devices>`,
			[]facts.Portion{{Bytes: 2 * gib, PageBytes: gib}, {Bytes: 512 << 20, PageBytes: gib}, {Bytes: 1 << 20, PageBytes: 2 << 20, Nodes: "1"}, {Bytes: gib, PageBytes: gib}}},
		"no number": {`<cpu><numa><cell memory='x'/></numa></cpu>` + backing + ends, []facts.Portion{{}}},
	} {
		t.Run(name, func(t *testing.T) {
			d, err := Read(`<domain><name>x</name><memory unit='GiB'>3</memory>` + c.xml + `</domain>`)
			require.NoError(t, err)
			assert.Equal(t, c.want, d.Portions)
		})
	}
	d, err := Read(`<domain><memory unit='GiB'>1</memory><cpu><numa><cell id='0' memory='1' unit='GiB'/></numa></cpu>` + backing + ends + `</domain>`)
	require.NoError(t, err)
	assert.Nil(t, d.Portions, "one node is all of it")
	assert.Equal(t, uint64(gib), d.PagedBytes())
}
