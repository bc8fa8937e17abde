package boots

import (
	"path"
	"strings"
)

// Mount is a line of fstab that mounts something at a path.
type Mount struct{ What, At string }

// Mounts lists what an fstab mounts, in its sequence.
func Mounts(fstab string) []Mount {
	var list []Mount
	for line := range strings.Lines(fstab) {
		fields := strings.Fields(line)
		if len(fields) < 2 || strings.HasPrefix(fields[0], "#") {
			continue
		}
		if at := unescaped(fields[1]); path.IsAbs(at) {
			list = append(list, Mount{strings.ReplaceAll(unescaped(fields[0]), `"`, ""), path.Clean(at)})
		}
	}
	return list
}
