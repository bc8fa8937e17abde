package definition

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestUneditedTreeGivesItsTextBack(t *testing.T) {
	texts := map[string]string{
		"double quotes":      `<domain type="kvm" id = '1' ><name>a"b'c</name></domain>`,
		"own escapes":        `<domain a='&#39;&#x41;&quot;"'><name>&gt;>&amp;&#10;</name></domain>`,
		"CDATA":              `<domain><name><![CDATA[a<b&c]]>d</name></domain>`,
		"comments":           "<?xml version='1.0'?>\n<!-- before --><domain><!-- - in -->\n</domain>\n<!-- after -->\n",
		"Windows line ends":  "<domain>\r\n  <name>a\r\nb</name>\r\n</domain>\r\n",
		"empty elements":     "<domain><a></a><b/><c /><d\n/></domain >",
		"processing":         "<domain><?x y?><?z?></domain>",
		"no spaces":          "<domain><name>x</name><devices><disk/></devices></domain>",
		"tabs in attributes": "<domain a='b\tc\nd'/>",
	}
	for _, name := range samples {
		texts[name] = sample(t, name)
	}
	for name, text := range texts {
		t.Run(name, func(t *testing.T) {
			tree, err := parse(text)
			require.NoError(t, err)
			assert.Equal(t, text, tree.String())
		})
	}
}

func TestEditedTreeKeepsEverythingElse(t *testing.T) {
	tree, err := parse("<domain a=\"1\">\r\n  <b c=\"'\" d='>'/>\r\n  <e>x&#39;y</e><f />\r\n</domain>")
	require.NoError(t, err)
	set(child(tree.guest, "b"), "c", `<'">`)
	child(tree.guest, "f").AddChild(element("g"))
	assert.Equal(t, "<domain a=\"1\">\r\n  <b c='&lt;&apos;&quot;&gt;' d='&gt;'/>\r\n  <e>x&#39;y</e><f><g/></f>\r\n</domain>", tree.String())
}

func TestAddAndDropLeaveNoTrace(t *testing.T) {
	text := "<domain>\n  <name>x</name>\n  <devices>\n    <disk/>\n  </devices>\n</domain>\n"
	tree, err := parse(text)
	require.NoError(t, err)
	backing := element("memoryBacking")
	add(tree.guest, backing, guestSequence)
	add(backing, element("hugepages"), backingSequence)
	assert.Equal(t, "<domain>\n  <name>x</name>\n  <memoryBacking>\n    <hugepages/>\n  </memoryBacking>\n  <devices>\n    <disk/>\n  </devices>\n</domain>\n", tree.String())
	drop(child(backing, "hugepages"))
	dropEmpty(backing)
	assert.Equal(t, text, tree.String())
}

// The units and their sizes are those of libvirt's domain format, "memory".
func TestBytesOf(t *testing.T) {
	tests := []struct {
		unit string
		want uint64
	}{
		{"", 1024}, {"b", 1}, {"bytes", 1}, {"KB", 1000}, {"k", 1024}, {"KiB", 1024}, {"MB", 1000000}, {"M", 1 << 20}, {"MiB", 1 << 20},
		{"GB", 1000000000}, {"G", 1 << 30}, {"GiB", 1 << 30}, {"TB", 1000000000000}, {"T", 1 << 40}, {"TiB", 1 << 40},
		{"PiB", 1 << 50}, {"EiB", 1 << 60}, {"gib", 1 << 30},
	}
	for _, test := range tests {
		e := element("memory", "unit", test.unit)
		e.SetText(" 3 ")
		if test.unit == "EiB" {
			e.SetText("3")
		}
		got, err := bytesOf(e)
		require.NoError(t, err, test.unit)
		assert.Equal(t, 3*test.want, got, test.unit)
	}
}

func TestSize(t *testing.T) {
	for bytes, want := range map[uint64]string{0: "0 bytes", 1000: "1000 bytes", 1024: "1 KiB", 512 << 20: "512 MiB", 16 << 30: "16 GiB", 3 << 40: "3 TiB", 1536 << 20: "1536 MiB"} {
		assert.Equal(t, want, size(bytes))
	}
}
