package emuhost

import (
	"encoding/xml"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// borrowed is what libvirt reads of a definition (formatdomain.html, "PCI").
type borrowed struct {
	Type string `xml:"type,attr"`
	Host []struct {
		Managed string `xml:"managed,attr"`
		Address struct {
			Bus      string `xml:"bus,attr"`
			Slot     string `xml:"slot,attr"`
			Function string `xml:"function,attr"`
		} `xml:"source>address"`
		Boot struct {
			Order string `xml:"order,attr"`
		} `xml:"boot"`
	} `xml:"devices>hostdev"`
	Loader string `xml:"os>loader"`
}

func TestGuestXML(t *testing.T) {
	text, err := Guest{Name: "grading", Borrows: []string{"0000:1a:00.0", "0000:05:1f.7"}, Firmware: true}.XML()
	require.NoError(t, err)
	var read borrowed
	require.NoError(t, xml.Unmarshal([]byte(text), &read))
	assert.Equal(t, "qemu", read.Type, "a kvm guest would abort the host")
	require.Len(t, read.Host, 2)
	assert.Equal(t, "yes", read.Host[0].Managed)
	assert.Equal(t, "0x1a", read.Host[0].Address.Bus)
	assert.Equal(t, "0x1f", read.Host[1].Address.Slot)
	assert.Equal(t, "0x7", read.Host[1].Address.Function)
	assert.Equal(t, "2", read.Host[1].Boot.Order)
	assert.NotEmpty(t, read.Loader)

	text, err = Guest{Name: "plain"}.XML()
	require.NoError(t, err)
	read = borrowed{}
	require.NoError(t, xml.Unmarshal([]byte(text), &read))
	assert.Empty(t, read.Loader)
	assert.Empty(t, read.Host)
	_, err = Guest{Name: "wrong", Borrows: []string{"01:00.0"}}.XML()
	assert.ErrorContains(t, err, `"01:00.0"`)
}
