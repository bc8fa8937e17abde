package measure

import (
	"fmt"
	"strconv"
	"strings"
)

// units are those of a size, as spec has them.
var units = []struct {
	name  string
	bytes int64
}{{"TiB", 1 << 40}, {"GiB", 1 << 30}, {"MiB", 1 << 20}}

// ParseSize reads the size of a file as people write it: 4GiB, 512MiB, with or without
// a space.
func ParseSize(text string) (int64, error) {
	for _, u := range units {
		digits, ok := strings.CutSuffix(strings.TrimSpace(text), u.name)
		if !ok {
			continue
		}
		n, err := strconv.ParseInt(strings.TrimSpace(digits), 10, 64)
		if err == nil && n > 0 && n <= MostBytes/u.bytes {
			return n * u.bytes, nil
		}
	}
	return 0, problem(fmt.Sprintf("--size cannot be %.40q", text), "write it as 512MiB or 4GiB, 1TiB at most")
}
