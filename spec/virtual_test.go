package spec_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/spec"
)

const ports = `host "larch" {}

controller "port3" {
  virtual {
    of     = controller.card
    number = 3
  }
}

controller "card" {
  virtual_functions = 2 + 2

  pci {
    vendor = "8086"
    device = "10c9"
  }
}

guest "films" {
  borrows = [controller.port3]
}
`

// A virtual function is stated by what makes it, wherever that stands, and is written
// as it is read.
func TestVirtualFunctions(t *testing.T) {
	layout, ds := spec.LoadSources("", []spec.File{{Name: "larch.hcl", Bytes: []byte(ports)}}, larch)
	require.False(t, ds.HasErrors(), "%v", ds)
	port, card := layout.Controller("port3"), layout.Controller("card")
	assert.Equal(t, "card", port.Virtual.Of.Name)
	assert.Equal(t, 3, port.Virtual.Number)
	assert.Nil(t, port.VirtualFunctions)
	assert.Equal(t, 4, *card.VirtualFunctions)

	parts := []spec.Part{{Host: &layout.Host}, {Controller: port}, {Controller: card}}
	assert.NoError(t, spec.Says(parts...))
	text := string(spec.Write(parts))
	assert.Contains(t, text, "virtual {\n    of     = controller.card\n    number = 3\n  }")
	assert.Contains(t, text, "virtual_functions = 4\n\n  pci {")
	none := 0
	card.VirtualFunctions = &none
	assert.Contains(t, string(spec.Write([]spec.Part{{Controller: card}})), "virtual_functions = 0")
}
