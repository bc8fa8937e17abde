package guard

import "lendkeep/reconcile/facts"

// Devices gives every drive, and every partition of one, that leaves the host
// with a definition's functions. What has one open is none of a survey's facts
// and must be looked for.
func Devices(ix *facts.Index, d facts.Definition) []facts.Devno {
	var list []facts.Devno
	for _, l := range d.Lent {
		for _, drive := range ix.Drives(l.Address) {
			list = append(list, drive.Devno)
			for _, part := range ix.Partitions(drive.Name) {
				list = append(list, part.Devno)
			}
		}
	}
	return list
}
