package linux_test

import (
	"bytes"
	"context"
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

// cutting ends a look after so many reads.
type cutting struct {
	*bytes.Reader
	left int
	end  context.CancelFunc
}

func (c *cutting) ReadAt(p []byte, at int64) (int, error) {
	if c.left--; c.left == 0 {
		c.end()
	}
	return c.Reader.ReadAt(p, at)
}

// A look that is given up says so, wherever it was, and nothing else.
func TestGivenUp(t *testing.T) {
	whole := disk(t, onOne(debian(t))...)
	c := content.Read(bytes.NewReader(whole), "vda.img", uint64(len(whole)), 512, true)
	for n := 1; ; n++ {
		ctx, end := context.WithCancel(t.Context())
		r := &cutting{bytes.NewReader(whole), n, end}
		i := linux.Look(ctx, r, &c)
		end()
		if r.left > 0 {
			assert.Greater(t, n, 5)
			break
		}
		assert.Contains(t, i.Gap, "was given up")
		assert.Empty(t, i.Kind)
		assert.Empty(t, i.Answers)
	}
}
