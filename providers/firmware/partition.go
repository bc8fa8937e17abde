package firmware

import (
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
)

// Partition names a partition as device paths do: where it lies, and by its
// GPT identity.
type Partition struct {
	Number  int    // in the partition table, from 1
	ID      GUID   // unique partition GUID
	First   uint64 // first logical block
	Sectors uint64 // length in logical blocks
}

// node is the partition's node in a device path, as the Shell prints it (UEFI
// 2.10, 10.6.1.6): numbers in hexadecimal, in upper case.
func (p Partition) node() string {
	return fmt.Sprintf("HD(%d,GPT,%s,0x%X,0x%X)", p.Number, p.ID, p.First, p.Sectors)
}

// fact gives the partition as surveys have it, with its id in lower case.
func (p Partition) fact() facts.SystemPartition {
	return facts.SystemPartition{Number: p.Number, ID: strings.ToLower(p.ID.String()), First: p.First, Sectors: p.Sectors}
}

func partitionOf(s facts.SystemPartition) (*Partition, error) {
	id, err := ParseGUID(s.ID)
	if err != nil {
		return nil, fmt.Errorf("partition %d: %w", s.Number, err)
	}
	return &Partition{Number: s.Number, ID: id, First: s.First, Sectors: s.Sectors}, nil
}
