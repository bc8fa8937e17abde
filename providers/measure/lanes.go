package measure

import (
	"math/rand/v2"
	"unsafe"
)

// aligned is with what buffers begin: pages of every machine (64 KiB are the largest
// of arm64), and so sectors of every drive.
const aligned = 64 << 10

// newLanes gives as many lanes as the deepest series has. The system writes into
// their buffers while Go does something else: Go moves nothing that is on its heap.
func newLanes() []*lane {
	memory := make([]byte, deepest*Block+aligned)
	memory = memory[-uintptr(unsafe.Pointer(&memory[0]))%aligned:]
	list := make([]*lane, deepest)
	for i := range list {
		list[i] = &lane{buffer: memory[i*Block : (i+1)*Block], random: rand.New(rand.NewPCG(rand.Uint64(), rand.Uint64()))}
	}
	return list
}
