package speed

import (
	"fmt"
	"strings"
	"time"

	"lendkeep/reconcile/facts"
)

// Access is the order in which places are read or written.
type Access string

// The accesses.
const (
	Sequential Access = "sequential"
	Random     Access = "random"
)

// Deed is what is done with a block.
type Deed string

// The deeds.
const (
	Read  Deed = "read"
	Write Deed = "write"
)

// Kind is what a series measures.
type Kind struct {
	Access     Access `json:"access"`
	Deed       Deed   `json:"deed"`
	BlockBytes int64  `json:"block_bytes"` // of one operation
	Depth      int    `json:"depth"`       // operations under way at once
}

// String names the kind for people: "random read, 4 KiB, depth 32".
func (k Kind) String() string {
	return fmt.Sprintf("%s %s, %s, depth %d", k.Access, k.Deed, sized(k.BlockBytes), k.Depth)
}

// sized gives a size without a fraction of nothing: "4 KiB".
func sized(bytes int64) string {
	return strings.Replace(facts.Size(uint64(bytes)), ".0 ", " ", 1)
}

// Kinds are what is measured, in the order in which it is shown.
var Kinds = []Kind{
	{Sequential, Read, 1 << 20, 8},
	{Sequential, Write, 1 << 20, 8},
	{Random, Read, 4 << 10, 1},
	{Random, Read, 4 << 10, 32},
	{Random, Write, 4 << 10, 1},
	{Random, Write, 4 << 10, 32},
}

// Series is one kind, measured several times.
type Series struct {
	Kind
	Runs []Run `json:"runs"` // Method.Runs of them; a series that was cut short is a gap
}

// Run is one run of a series. Latencies are from handing an operation over to
// seeing it done, the least that this share of all operations did not exceed.
type Run struct {
	At         time.Duration `json:"at_ns"`   // since Clock.Began, by the clock that never goes back
	Took       time.Duration `json:"took_ns"` // from the first operation's begin to the last one's end
	Operations int64         `json:"operations"`
	Bytes      int64         `json:"bytes"`
	P50        time.Duration `json:"p50_ns"`
	P99        time.Duration `json:"p99_ns"`
	P999       time.Duration `json:"p999_ns"`
	CPU        time.Duration `json:"cpu_ns"` // processor time of the program, its own and the system's for it
}
