package firmware

import "fmt"

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
