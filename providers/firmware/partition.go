package firmware

import (
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
)

// partitionNode names a partition as its node in a device path, as the Shell
// prints it (UEFI 2.10, 10.6.1.6): numbers in hexadecimal, in upper case.
func partitionNode(p facts.SystemPartition) string {
	return fmt.Sprintf("HD(%d,GPT,%s,0x%X,0x%X)", p.Number, strings.ToUpper(p.ID), p.First, p.Sectors)
}
