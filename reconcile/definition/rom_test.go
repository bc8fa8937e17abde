package definition

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

const ours = "/usr/share/qemu/lendkeep-reel-0a1b2c3d.rom"

// romOf gives the <rom> of the first lent device, and how Read tells it.
func romOf(t *testing.T, xml string) (element, file string) {
	t.Helper()
	d, err := Read(xml)
	require.NoError(t, err)
	require.NotEmpty(t, d.Hostdevs)
	if from := strings.Index(xml, "<rom"); from >= 0 {
		element = xml[from : from+strings.Index(xml[from:], "/>")+2]
	}
	return element, d.Hostdevs[0].ROM
}

func TestOptionROM(t *testing.T) {
	r := reel(t, "0000:01:00.0")
	lent := lentAt(t, []facts.Identity{r}, "0000:01:00.0") // with <rom file='/usr/share/qemu/0000:01:00.0.rom'/>
	theirs := "<rom file='/usr/share/qemu/0000:01:00.0.rom'/>"
	cases := map[string]struct{ was, wanted, becomes, says string }{
		"none wanted, somebody else's stays": {theirs, "", theirs, ""},
		"none wanted, ours goes":             {"<rom file='" + ours + "'/>", "", "", "without the option ROM " + ours},
		"ours goes, the rest stays":          {"<rom bar='on' file='" + ours + "'/>", "", "<rom bar='on'/>", "the file stays"},
		"there was none":                     {"", ours, "<rom file='" + ours + "'/>", "with the option ROM " + ours},
		"another":                            {theirs, ours, "<rom file='" + ours + "'/>", "instead of /usr/share/qemu/0000:01:00.0.rom"},
		"there already":                      {"<rom file='" + ours + "'/>", ours, "<rom file='" + ours + "'/>", ""},
		"hidden from the guest":              {"<rom bar='off' file='" + ours + "'/>", ours, "<rom file='" + ours + "'/>", "with the option ROM"},
		"none at all for the guest":          {"<rom enabled='no'/>", ours, "<rom file='" + ours + "'/>", "with the option ROM"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			w := Wanted{Name: "grading", Borrows: []Borrowed{{Identity: r, ROM: c.wanted}}}
			after, changes := edited(t, strings.Replace(lent, theirs, c.was, 1), w)
			element, file := romOf(t, after)
			assert.Equal(t, c.becomes, element)
			if c.wanted != "" {
				assert.Equal(t, c.wanted, file)
			}
			said := strings.Join(changes, "\n")
			assert.Contains(t, said, c.says)
			assert.Equal(t, c.says == "", said == "", said)
		})
	}
}

// A new device gets its ROM where libvirt prints it: behind the boot order.
func TestOptionROMOfANewDevice(t *testing.T) {
	w := Wanted{Name: "grading", Borrows: []Borrowed{{Identity: reel(t, "0000:01:00.0"), Boots: true, ROM: ours}}}
	after, changes := edited(t, sample(t, "grading"), w)
	assert.Contains(t, strings.Join(changes, "\n"), ours)
	assert.Regexp(t, `(?s)<hostdev.*<boot order='1'/>\s*<rom file='`+ours+`'/>`, after)
}
