package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

// Names as lvm(8) writes them for what device mapper calls like that (lvm2
// lib/misc/lvm-string.c: hyphens are doubled).
func TestBuilt(t *testing.T) {
	for _, c := range []struct {
		block facts.Block
		want  string
	}{
		{facts.Block{Name: "nvme0n1p1"}, ""},
		{facts.Block{Name: "md127", Array: "raid1"}, "md md127 (raid1)"},
		{facts.Block{Mapper: &facts.Mapper{Name: "vault", UUID: "CRYPT-LUKS2-ab-vault"}}, "LUKS vault"},
		{facts.Block{Mapper: &facts.Mapper{Name: "swap", UUID: "CRYPT-PLAIN-swap"}}, "encrypted swap"},
		{facts.Block{Mapper: &facts.Mapper{Name: "vg0-root", UUID: "LVM-ab"}}, "LV vg0/root"},
		{facts.Block{Mapper: &facts.Mapper{Name: "my--vg-my--lv", UUID: "LVM-ab"}}, "LV my-vg/my-lv"},
		{facts.Block{Mapper: &facts.Mapper{Name: "vg---lv", UUID: "LVM-ab"}}, "LV vg-/lv"},
		{facts.Block{Mapper: &facts.Mapper{Name: "vg-", UUID: "LVM-ab"}}, "LV vg-"},
		{facts.Block{Mapper: &facts.Mapper{Name: "vg--lv", UUID: "LVM-ab"}}, "LV vg--lv"},
		{facts.Block{Mapper: &facts.Mapper{Name: "vg0-pool-tpool", UUID: "LVM-ab-tpool"}}, "LV vg0-pool-tpool"},
		{facts.Block{Mapper: &facts.Mapper{Name: "mpatha", UUID: "mpath-3600"}}, "mapped mpatha"},
	} {
		assert.Equal(t, c.want, c.block.Built())
	}
}
