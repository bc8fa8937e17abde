package linux_test

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/drive/linux"
)

// Looking into a damaged disk comes to an end and does not panic, and whatever is seen
// then is short. Ext4 has no sums of what files hold, so what it says may be wrong.
func TestDamagedDisks(t *testing.T) {
	whole := disk(t, onOne(debian(t).and(files{"etc/fstab": "/dev/vda2 / ext4\n"}))...)
	random := rand.New(rand.NewPCG(3, 4))
	used := bytes.Clone(whole)
	for range 60 {
		copy(used, whole)
		for range 1 + random.IntN(40) {
			at := (1+partMiB)*mib + random.IntN(2*mib) // the filesystem's own tables and most files
			used[at] = byte(random.Uint32())
		}
		c := content.Read(bytes.NewReader(used), "vda.img", uint64(len(used)), 512, true)
		i := linux.Look(t.Context(), bytes.NewReader(used), &c)
		if i == nil {
			continue
		}
		assert.NotContains(t, i.Gap, "broke off")
		for _, a := range i.Answers {
			assert.Less(t, len(a.Seen)+len(a.Where), 2200)
		}
	}
}
