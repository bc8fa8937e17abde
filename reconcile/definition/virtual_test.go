package definition

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// A virtual function is noted with what has made it; a note that says it otherwise is
// no note.
func TestNoteOfAVirtualFunction(t *testing.T) {
	r := facts.Identity{Controller: "port3", Vendor: 0x8086, Device: 0x10ca, Address: address(t, "0000:d0:10.3"),
		Virtual: facts.VirtualOf{Controller: "card", Number: 3, Address: address(t, "0000:d0:00.0"), Vendor: 0x8086, Device: 0x10c9}}
	before := "<domain type='kvm'><name>l2</name><devices/></domain>"
	after, changes := edited(t, before, Wanted{Name: "l2", Borrows: []Borrowed{{Identity: r}}})
	assert.Contains(t, changes, "borrows port3 (virtual function 3 of card) at 0000:d0:10.3")
	d, err := Read(after)
	require.NoError(t, err)
	assert.Equal(t, []facts.Identity{r}, d.Identities)
	_, changes = edited(t, after, Wanted{Name: "l2", Borrows: []Borrowed{{Identity: r}}})
	assert.Empty(t, changes)

	for _, wrong := range []string{
		`virtual="3"`,
		`virtual="three" of="card" of-address="0000:d0:00.0" of-vendor="8086" of-device="10c9"`,
		`virtual="-1" of="card" of-address="0000:d0:00.0" of-vendor="8086" of-device="10c9"`,
		`virtual="65536" of="card" of-address="0000:d0:00.0" of-vendor="8086" of-device="10c9"`,
		`virtual="3" of="card" of-address="d0:00.0" of-vendor="8086" of-device="10c9"`,
		`virtual="3" of="card" of-address="0000:d0:00.0" of-vendor="8086" of-device=""`,
	} {
		_, err := Read(`<domain><metadata><guest xmlns="urn:lendkeep:guest:1"><borrows controller="port3" address="0000:d0:10.3" vendor="8086" device="10ca" ` + wrong + `/></guest></metadata></domain>`)
		assert.ErrorContains(t, err, "lendkeep's note in <metadata>", wrong)
	}
}
