package spec

import (
	"fmt"

	"github.com/hashicorp/hcl/v2/hclsyntax"

	"lendkeep/spec/uri"
)

var hostForm = &form{
	kind:   "host",
	named:  wrongHost,
	allows: []string{"libvirt", "never_lend", "alarm"},
}

// ownLibvirt is libvirt's connection for the whole host.
const ownLibvirt = "qemu:///system"

func (r *reader) decodeHost(source *hclsyntax.Block, layout *Layout) {
	b := r.open(source, hostForm, "")
	if layout.Host.At != (Place{}) {
		r.refuse(source.DefRange(), "second host in one layout",
			fmt.Sprintf("The first one is at %s. A layout describes exactly one host.", layout.Host.At),
			"keep the layout of another host in a directory of its own")
		return
	}
	layout.Host = Host{
		Name:      b.name,
		Libvirt:   ownLibvirt,
		NeverLend: b.texts("never_lend", wrongSerial),
		Alarm:     b.command("alarm"),
		At:        b.at,
	}
	if stated := b.checked("libvirt", uri.Wrong); stated != "" {
		layout.Host.Libvirt = stated
	}
}
