package measure

import (
	"encoding/binary"
	"math/rand/v2"
)

// markEvery is how far apart the marks are that make every block another one: no
// drive has smaller sectors.
const markEvery = 512

// fill fills a buffer with what no drive can make smaller.
func fill(buffer []byte, random *rand.Rand) {
	for ; len(buffer) >= 8; buffer = buffer[8:] {
		binary.LittleEndian.PutUint64(buffer, random.Uint64())
	}
}

// mark makes every sector of a buffer one that was never written before: filling it
// anew each time would cost more than fast drives take to write it.
func mark(buffer []byte, random *rand.Rand) {
	stamp := random.Uint64()
	for at := 0; at < len(buffer); at += markEvery {
		binary.LittleEndian.PutUint64(buffer[at:], stamp)
		stamp = stamp*6364136223846793005 + 1442695040888963407 // Knuth's MMIX: any number follows once
	}
}
