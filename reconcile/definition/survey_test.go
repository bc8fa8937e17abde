package definition_test

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// What a survey says of a guest is what the guest's definition says.
func TestSurveyAgreesWithItsDefinitions(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*facts.Definition)
		says   string
	}{
		"as it is":             {func(*facts.Definition) {}, ""},
		"where a volume is":    {func(d *facts.Definition) { d.Disks[1].Source = "/srv/pool/x.qcow2" }, ""},
		"a lent function less": {func(d *facts.Definition) { d.Hostdevs = nil }, "its Hostdevs are not those"},
		"a disk less":          {func(d *facts.Definition) { d.Disks = d.Disks[:1] }, "its Disks are not those"},
		"another image":        {func(d *facts.Definition) { d.Disks[0].Source = "/srv/other.qcow2" }, "its Disks are not those"},
		"a record less":        {func(d *facts.Definition) { d.Identities = nil }, "its Identities are not those"},
		"what it reaches less": {func(d *facts.Definition) { d.Reaches = nil }, "its Reaches are not those"},
		"less memory":          {func(d *facts.Definition) { d.MemoryBytes = 1 }, "its MemoryBytes are not those"},
		"other firmware":       {func(d *facts.Definition) { d.Boot.Firmware = "bios" }, "its Boot are not those"},
		"no text":              {func(d *facts.Definition) { d.XML = "" }, "it is empty"},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			at := b.NVMe("RL-4410-0073")
			b.Guest("grading", "/srv/images/grading.qcow2", b.Identity("reel", at))
			kept, err := definition.Read(strings.Replace(b.Survey.Libvirt.Guests[0].Kept.XML, "</devices>",
				"<disk type='volume' device='disk'><source pool='p' volume='x.qcow2'/><target dev='vdz' bus='virtio'/></disk><serial type='file'><source path='/srv/log'/></serial></devices>", 1))
			require.NoError(t, err)
			require.NotEmpty(t, kept.Reaches)
			c.change(&kept)
			b.Survey.Libvirt.Guests[0].Kept = &kept
			var text bytes.Buffer
			require.NoError(t, b.Survey.Encode(&text))
			_, err = definition.Survey(text.Bytes())
			if c.says == "" {
				require.NoError(t, err)
				return
			}
			assert.ErrorContains(t, err, "guest grading: ")
			assert.ErrorContains(t, err, c.says)
			assert.ErrorContains(t, err, "take the survey again")
		})
	}
}
