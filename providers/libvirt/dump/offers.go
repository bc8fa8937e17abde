package dump

import (
	"encoding/xml"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// offer is one thing of libvirt's domain capabilities, with the choices there
// are of it (libvirt domain capabilities format).
type offer struct {
	Supported string `xml:"supported,attr"`
	Enums     []struct {
		Name   string   `xml:"name,attr"`
		Values []string `xml:"value"`
	} `xml:"enum"`
}

// values gives the choices under a name; none where the thing is not supported.
func (o offer) values(name string) []string {
	var list []string
	for _, e := range o.Enums {
		if e.Name == name && o.Supported == "yes" {
			list = append(list, e.Values...)
		}
	}
	return list
}

func (o offer) has(name, value string) bool { return slices.Contains(o.values(name), value) }

// Offered takes libvirt's domain capabilities in.
func (s *Seen) Offered(text string) error {
	s.keep("", "domaincapabilities", ".xml", text, true)
	var c struct {
		XMLName xml.Name `xml:"domainCapabilities"`
		TPM     offer    `xml:"devices>tpm"`
		RNG     offer    `xml:"devices>rng"`
		HyperV  offer    `xml:"features>hyperv"`
	}
	if err := xml.Unmarshal([]byte(text), &c); err != nil {
		return fmt.Errorf("read domain capabilities: %w", err)
	}
	s.Offers = facts.Offers{HyperV: c.HyperV.values("features"),
		Random: c.RNG.has("model", "virtio") && c.RNG.has("backendModel", "random")}
	// libvirt names the versions only where swtpm is there.
	if c.TPM.has("backendModel", "emulator") && c.TPM.has("backendVersion", "2.0") {
		s.Offers.TPM = c.TPM.values("model")
	}
	return nil
}

// Unoffered notes why nothing is known of what new guests can have.
func (s *Seen) Unoffered(reason error) { s.Offers = facts.Offers{Why: reason.Error()} }
