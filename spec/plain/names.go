package plain

import (
	"strconv"
	"strings"
)

// Names writes names behind each other, each in quotes: "day", "night".
func Names(list []string) string {
	quoted := make([]string, len(list))
	for i, name := range list {
		quoted[i] = strconv.Quote(name)
	}
	return strings.Join(quoted, ", ")
}
